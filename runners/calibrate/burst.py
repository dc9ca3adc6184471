"""A burst to measure: its frames, when each was taken, and how large a pixel is."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from PIL import Image as PillowImage

from ...ground.frames import FrameFiles
from ...ground.types import Doubles
from ...simulator.rig import Rig
from ..request import RequestError

#: With fewer frames sway cannot be told from a step.
FEWEST = 8
_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff")
_INFO = "frames.json"
#: Tags of EXIF 2.32: when the picture was taken, parts of that second, and the shutter time.
_EXIF, _TAKEN, _PART, _SHUTTER = 0x8769, 0x9003, 0x9291, 0x829A
#: Time stamps in whole seconds tell the rate of a burst that lasts at least so long, s.
_LONG_S = 3.0
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
    """

    frames: Sequence[Any]
    times_s: Doubles
    times_from: str
    each_timed: bool
    exposure_s: float | None
    linear: bool
    pitch_um: float


def read_burst(
    folder: str | Path,
    rig: Rig,
    *,
    frames_per_s: float | None = None,
    pitch_um: float | None = None,
) -> Burst:
    """Find the frames of a burst and when they were taken; pictures are read later.

    Parameters
    ----------
    folder : path
        Of pictures, in order of their names; or of a stack.
    rig : Rig
    frames_per_s : float or None
        Used instead of the time stamps.
    pitch_um : float or None
        Size of the frames' pixels on the sensor; without it, frames.json tells, or else the
        frames are taken to show the whole sensor.

    Raises
    ------
    RequestError
        No folder, too few frames, frames of several sizes, one that cannot be read, no times, or
        frames that do not show the whole sensor without `pitch_um`.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise RequestError(f"{folder} is no folder; give the folder of the burst's pictures")
    info = _info(folder)
    place = folder / "frames" if (folder / "frames").is_dir() else folder
    paths = sorted(path for path in place.iterdir() if path.suffix.lower() in _SUFFIXES)
    if len(paths) < FEWEST:
        raise RequestError(
            f"{place}: {len(paths)} pictures, a calibration needs {FEWEST} or more, better 40"
        )
    rows, cols = _one_size(paths)
    times, source, each = _times(paths, info, frames_per_s)
    pitch = pitch_um or info.get("pitch_um") or _pitch_um(rig, rows, cols)
    return Burst(
        frames=FrameFiles(paths),
        times_s=times,
        times_from=source,
        each_timed=each,
        exposure_s=_exposure_s(paths[0], info),
        linear=info.get("encoding") == "linear",
        pitch_um=float(pitch),
    )


def _info(folder: Path) -> Mapping[str, Any]:
    for place in (folder / _INFO, folder.parent / _INFO):
        if place.is_file() and (place.parent == folder or folder.name == "frames"):
            found = json.loads(place.read_text(encoding="utf-8"))
            return found if isinstance(found, dict) else {}
    return {}


def _one_size(paths: Sequence[Path]) -> tuple[int, int]:
    sizes = {path.name: _size(path) for path in paths}
    first = sizes[paths[0].name]
    for name, size in sizes.items():
        if size != first:
            raise RequestError(
                f"frames differ in size: {paths[0].name} is {first[1]}x{first[0]}, "
                f"{name} is {size[1]}x{size[0]} pixels"
            )
    return first


def _size(path: Path) -> tuple[int, int]:
    """Return rows and columns, without decoding the picture."""
    try:
        if path.suffix.lower() in (".tif", ".tiff"):
            with tifffile.TiffFile(path) as file:
                rows, cols = file.pages[0].shape[:2]
                return int(rows), int(cols)
        with PillowImage.open(path) as image:
            return image.height, image.width
    except (OSError, ValueError, tifffile.TiffFileError) as error:
        raise RequestError(f"{path.name} cannot be read as a picture: {error}") from error


def _times(
    paths: Sequence[Path], info: Mapping[str, Any], frames_per_s: float | None
) -> tuple[Doubles, str, bool]:
    """Return times from the first frame, where they come from, and whether each is known."""
    if frames_per_s is not None:
        return (
            np.arange(len(paths)) / frames_per_s,
            f"{frames_per_s:g} frames a second, asked",
            False,
        )
    known = {frame.get("file"): frame.get("time_s") for frame in info.get("frames", ())}
    stamps = [known.get(path.name, known.get(f"frames/{path.name}")) for path in paths]
    if all(stamp is not None for stamp in stamps):
        return _rising(np.array(stamps, dtype=float), _INFO), _INFO, True
    found = [_stamp(path) for path in paths]
    if any(stamp is None for stamp, _ in found):
        bare = next(path.name for path, (stamp, _) in zip(paths, found, strict=True) if not stamp)
        raise RequestError(f"{bare} has no time stamp; give the rate of the burst with --fps")
    taken = [stamp for stamp, _ in found if stamp is not None]
    times = np.array([(stamp - taken[0]).total_seconds() for stamp in taken])
    if all(fine for _, fine in found):
        return _rising(times, "EXIF"), "EXIF, with parts of a second", True
    if times[-1] < _LONG_S:
        raise RequestError(
            f"the time stamps are whole seconds and the burst lasts {times[-1]:g} of them; "
            "give its rate with --fps"
        )
    even = np.arange(len(times)) * times[-1] / (len(times) - 1)
    return even, "EXIF in whole seconds: evenly spread from first to last", False


def _rising(times: Doubles, source: str) -> Doubles:
    late = np.flatnonzero(np.diff(times) <= 0)
    if late.size:
        raise RequestError(
            f"{source}: frame {late[0] + 1} is not later than the one before it; "
            "are the pictures of one burst, named in order?"
        )
    return times - times[0]


def _stamp(path: Path) -> tuple[datetime | None, bool]:
    """Return when a picture was taken, and whether parts of a second are known."""
    tags = _exif(path)
    try:
        taken = datetime.strptime(str(tags.get(_TAKEN, "")), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None, False
    part = str(tags.get(_PART, "")).strip().strip("\0")
    if not part.isdigit():
        return taken, False
    return taken.replace(microsecond=round(float(f"0.{part}") * 1e6)), True


def _exif(path: Path) -> Mapping[int, Any]:
    """Return the EXIF tags of a picture; none where it has none."""
    if path.suffix.lower() in (".tif", ".tiff"):
        with tifffile.TiffFile(path) as file:
            tag = file.pages[0].tags.get(_EXIF)  # type: ignore[union-attr]
            named = tag.value if tag is not None and isinstance(tag.value, dict) else {}
        names = {"DateTimeOriginal": _TAKEN, "SubsecTimeOriginal": _PART, "ExposureTime": _SHUTTER}
        return {names[name]: value for name, value in named.items() if name in names}
    with PillowImage.open(path) as image:
        return dict(image.getexif().get_ifd(_EXIF))


def _exposure_s(path: Path, info: Mapping[str, Any]) -> float | None:
    listed = info.get("frames") or [{}]
    value = listed[0].get("exposure_s", _exif(path).get(_SHUTTER))
    if isinstance(value, tuple) and len(value) == 2:
        value = value[0] / value[1] if value[1] else None
    return float(value) if value else None


def _pitch_um(rig: Rig, rows: int, cols: int) -> float:
    """Return the size of a pixel where the frames show the whole sensor."""
    sensor = rig.sensor
    across, down = sensor.width_px / cols, sensor.height_px / rows
    if abs(across / down - 1) > _SAME_SHAPE:
        raise RequestError(
            f"frames of {cols}x{rows} pixels do not show the whole sensor of rig {rig.name!r} "
            f"({sensor.width_px}x{sensor.height_px}); give the size of their pixels with --pitch"
        )
    return sensor.pitch_um * across
