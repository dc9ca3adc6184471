"""A stepped stack to measure a lens by: its frames, and what is known of step and size."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np

from ....ground.frames import FrameFiles
from ....ground.types import Doubles
from ...request import RequestError
from ..files import frames_info, one_size, picture_files, quarter_turns
from ..turned import TurnedFrames

#: With fewer frames a curve through focus is not one.
FEWEST = 7
_BETTER = 25


class LensCalibrationError(ValueError):
    """The stack does not show what a calibration of the lens measures."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SteppedShots:
    """Frames of something flat, taken at regular steps toward it or away from it.

    Parameters
    ----------
    frames : sequence of array (rows, cols, 3)
        Read when asked for.
    shape : (rows, cols)
    linear : bool
        Whether values are linear light; else sRGB.
    pitch_um : float
        Size of a pixel of the frames on the sensor.
    stops : array (frames,)
        Where the camera stood in each frame, in steps.
    directed : bool
        Whether rising stops are known to lead toward the subject.
    step_mm : float or None
        Size of a step; None where it is to be measured.
    magnification : float or None
        Image size over object size; None where it is to be measured.
    told_by : mapping of str to str
        Where each known number comes from, for people to read.
    focal_length_mm, pupil_ratio : float or None
        Of the lens, where they are known.
    """

    frames: Sequence[Any]
    shape: tuple[int, int]
    linear: bool
    pitch_um: float
    stops: Doubles
    directed: bool
    step_mm: float | None
    magnification: float | None
    told_by: Mapping[str, str]
    focal_length_mm: float | None = None
    pupil_ratio: float | None = None


def read_shots(
    folder: str | Path,
    *,
    step_mm: float | None = None,
    magnification: float | None = None,
    pitch_um: float | None = None,
    focal_length_mm: float | None = None,
    pupil_ratio: float | None = None,
) -> SteppedShots:
    """Find the frames of a stepped stack; pictures are read later.

    Parameters
    ----------
    folder : path
        Of pictures, in order of their names; or of a stack.
    step_mm, magnification : float or None
        What is known. Without both, frames.json must tell the step; with the magnification alone,
        the step is measured, whatever frames.json says.
    pitch_um : float or None
        Size of the frames' pixels on the sensor; without it, frames.json tells.
    focal_length_mm, pupil_ratio : float or None
        Of the lens, for the file that is made; without them, as frames.json tells.

    Raises
    ------
    RequestError
        No folder, too few frames, frames of several sizes, or a number that is not known.
    """
    folder = Path(folder)
    info = frames_info(folder)
    needs = f"a calibration needs {FEWEST} or more, better {_BETTER}"
    paths = picture_files(folder, fewest=FEWEST, needs=needs)
    rows, cols = one_size(paths)
    quarters = quarter_turns(paths)
    frames: Sequence[Any] = FrameFiles(paths)
    pitch = pitch_um or _positive(info.get("pitch_um"))
    if pitch is None:
        raise RequestError(
            "the size of the frames' pixels on the sensor is not known; give it with --pitch "
            "(width of the sensor over its pixels, um)"
        )
    told_by = {"pitch_um": "given" if pitch_um else "frames.json"}
    stops, told_step = _stops(info, len(paths))
    if step_mm is None and magnification is None:
        if told_step is None:
            raise RequestError(
                "neither the step nor the magnification is known; give --step (mm a frame) or "
                "--magnification, or both"
            )
        step_mm, told_by["step_mm"] = abs(told_step), "frames.json"
    elif step_mm is not None:
        told_by["step_mm"] = "given"
    given = {
        "magnification": magnification,
        "focal_length_mm": focal_length_mm,
        "pupil_ratio": pupil_ratio,
    }
    told_by |= {name: "given" for name, value in given.items() if value is not None}
    return SteppedShots(
        frames=TurnedFrames(frames, quarters) if quarters else frames,
        shape=(cols, rows) if quarters % 2 else (rows, cols),
        linear=info.get("encoding") == "linear",
        pitch_um=float(pitch),
        stops=stops,
        directed=told_step is not None,
        step_mm=step_mm,
        magnification=magnification,
        told_by=told_by,
        focal_length_mm=focal_length_mm or _focal_length(info),
        pupil_ratio=pupil_ratio or _positive(info.get("pupil_ratio")),
    )


def _stops(info: Mapping[str, Any], count: int) -> tuple[Doubles, float | None]:
    """Return where the camera stood, in steps, and the step that the file tells, mm, signed."""
    told = [frame.get("nominal_focus_mm") for frame in _listed(info)]
    plain = np.arange(count, dtype=float)
    if len(told) != count or not all(_is_number(one) for one in told):
        return plain, None
    places = np.array(told, dtype=float)
    step = float(np.median(np.diff(places)))
    if step == 0 or not np.all(np.diff(places) * step > 0):
        return plain, None
    return (places - places[0]) / abs(step), step


def _listed(info: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    listed = info.get("frames")
    if not isinstance(listed, list):
        return []
    return [frame for frame in listed if isinstance(frame, dict)]


def _focal_length(info: Mapping[str, Any]) -> float | None:
    listed = _listed(info)
    return _positive(listed[0].get("focal_length_mm")) if listed else None


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


def _positive(value: Any) -> float | None:
    return float(value) if _is_number(value) and value > 0 else None
