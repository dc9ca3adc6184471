"""A burst to measure: its frames, when each was taken, and how large a pixel is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ...ground.frames import FrameFiles
from ...ground.types import Doubles
from ...simulator.rig import Rig
from ..request import RequestError
from .files import frames_info, one_size, picture_files, quarter_turns
from .times import SHUTTER, Times, exif, number_of, times_of
from .turned import TurnedFrames

#: With fewer frames sway cannot be told from a step.
FEWEST = 8
#: Frames whose pixels come out wider than high by no more than this show the whole sensor.
_SAME_SHAPE = 0.02


@dataclass(frozen=True, kw_only=True, eq=False)
class Burst:
    """Frames of a burst and what is known of them.

    Parameters
    ----------
    frames : sequence of array (rows, cols, 3)
        Read when asked for.
    times_s : array (frames,)
        From the first frame, s.
    times_from : str
        Where the times come from, for people to read.
    each_timed : bool
        Whether every frame has its own time; else they are spread evenly.
    exposure_s : float or None
        Time the shutter was open, where the camera wrote it.
    linear : bool
        Whether values are linear light; else sRGB.
    pitch_um : float
        Size of a pixel of the frames on the sensor.
    pace : (low, high)
        Bounds of the true times over those told.
    paths : tuple of Path
        The files of the frames; empty for frames in memory.
    """

    frames: Sequence[Any]
    times_s: Doubles
    times_from: str
    each_timed: bool
    exposure_s: float | None
    linear: bool
    pitch_um: float
    pace: tuple[float, float] = (1.0, 1.0)
    paths: tuple[Path, ...] = ()


def read_burst(
    folder: str | Path,
    rig: Rig,
    *,
    frames_per_s: float | tuple[float, float] | None = None,
    pitch_um: float | None = None,
    fewest: int = FEWEST,
    timed: bool = True,
) -> Burst:
    """Find the frames of a burst and when they were taken; pictures are read later.

    Parameters
    ----------
    folder : path
        Of pictures, in order of their times, or of their names where they have none; or of a stack.
    rig : Rig
    frames_per_s : float, (low, high) or None
        Used instead of the time stamps.
    pitch_um : float or None
        Size of the frames' pixels on the sensor; without it, frames.json tells, or else the
        frames are taken to show the whole sensor.
    fewest : int
        Frames that are needed.
    timed : bool
        Whether their times are needed; else frames without times come in the order of their names.

    Raises
    ------
    RequestError
        No folder, too few frames, frames of several sizes, one that cannot be read, no times, or
        frames that do not show the whole sensor without `pitch_um`.
    """
    folder = Path(folder)
    info = frames_info(folder)
    needs = "a calibration needs {} or more, better 40" if timed else "{} needed"
    paths = picture_files(folder, fewest=fewest, needs=needs.format(fewest))
    rows, cols = one_size(paths)
    quarters = quarter_turns(paths)
    if quarters % 2:
        rows, cols = cols, rows
    times = _times(paths, info, frames_per_s, needed=timed)
    pitch = pitch_um or info.get("pitch_um") or _pitch_um(rig, rows, cols)
    ordered = tuple(paths[index] for index in times.order)
    frames: Sequence[Any] = FrameFiles(ordered)
    return Burst(
        frames=TurnedFrames(frames, quarters) if quarters else frames,
        times_s=times.times_s,
        times_from=times.told_by,
        each_timed=times.each_timed,
        exposure_s=_exposure_s(paths[0], info),
        linear=info.get("encoding") == "linear",
        pitch_um=float(pitch),
        pace=times.pace,
        paths=ordered,
    )


def _times(
    paths: Sequence[Path],
    info: Mapping[str, Any],
    frames_per_s: float | tuple[float, float] | None,
    *,
    needed: bool,
) -> Times:
    """Return the times of the frames; a frame a second, by name, where none are needed."""
    try:
        return times_of(paths, info, frames_per_s=frames_per_s)
    except RequestError:
        if needed:
            raise
        return replace(times_of(paths, info, frames_per_s=1.0), told_by="the names of the files")


def _exposure_s(path: Path, info: Mapping[str, Any]) -> float | None:
    listed = info.get("frames") or [{}]
    return number_of(listed[0].get("exposure_s", exif(path).get(SHUTTER)))


def _pitch_um(rig: Rig, rows: int, cols: int) -> float:
    """Return the size of a pixel where the frames show the whole sensor, held level or upright."""
    sensor = rig.sensor
    wide, high = sensor.width_px, sensor.height_px
    if (rows > cols) != (high > wide):
        wide, high = high, wide
    across, down = wide / cols, high / rows
    if abs(across / down - 1) > _SAME_SHAPE:
        raise RequestError(
            f"frames do not show the whole sensor of rig {rig.name!r}: got {cols}x{rows} pixels, "
            f"expected {sensor.width_px}x{sensor.height_px}; give the size of their pixels "
            "with --pitch"
        )
    return sensor.pitch_um * across
