"""When the frames of a burst were taken, as far as their files tell, and in which order."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import tifffile
from PIL import Image as PillowImage

from ...ground.text import plain_line
from ...ground.types import Doubles
from ..request import RequestError

#: File that a stack and some programs leave beside the frames.
INFO = "frames.json"
#: Tags of EXIF 2.32: the part of the file that has the others; when the picture was taken, parts
#: of that second, the shutter time, f-number, sensitivity; and how the picture has to be turned.
_EXIF, TAKEN, PART, SHUTTER, TURNED = 0x8769, 0x9003, 0x9291, 0x829A, 0x0112
F_NUMBER, ISO = 0x829D, 0x8827
#: Whole seconds tell a pace if its bounds are no farther apart than this.
_LOOSEST = 1.5
_LONGEST = 120
#: A gap in the numbers of the files that is wider than this is where a counter began anew.
_WRAPPED = 1000


@dataclass(frozen=True, kw_only=True, eq=False)
class Times:
    """When the frames of a burst were taken.

    Parameters
    ----------
    order : array (frames,) of int
        The files in the order of shooting.
    times_s : array (frames,)
        From the first frame in that order, s.
    told_by : str
        Where the times come from, for people to read.
    each_timed : bool
        Whether every frame has its own time; else they are spread evenly.
    pace : (low, high)
        Bounds of the true times over those told.
    """

    order: npt.NDArray[np.intp]
    times_s: Doubles
    told_by: str
    each_timed: bool
    pace: tuple[float, float] = (1.0, 1.0)


def times_of(
    paths: Sequence[Path],
    info: Mapping[str, Any],
    *,
    frames_per_s: float | tuple[float, float] | None = None,
) -> Times:
    """Find when frames were taken.

    Parameters
    ----------
    paths : sequence of Path
        In order of their names.
    info : mapping
        What `INFO` says; empty where there is none.
    frames_per_s : float, (low, high) or None
        Used instead of what the files say.

    Raises
    ------
    RequestError
        The files tell no times, or do not tell them well enough.
    """
    if frames_per_s is not None:
        return _paced(paths, frames_per_s)
    known = {frame.get("file"): frame.get("time_s") for frame in info.get("frames", ())}
    stamps = [known.get(path.name, known.get(f"frames/{path.name}")) for path in paths]
    if all(stamp is not None for stamp in stamps):
        times = _rising(np.array(stamps, dtype=float), INFO)
        return Times(order=np.arange(len(paths)), times_s=times, told_by=INFO, each_timed=True)
    found = [_stamp(path) for path in paths]
    if any(stamp is None for stamp, _ in found):
        bare = next(path.name for path, (stamp, _) in zip(paths, found, strict=True) if not stamp)
        raise RequestError(
            f"{bare} has no time stamp: got none, expected one; give the rate of the burst "
            "with --fps"
        )
    taken = [stamp for stamp, _ in found if stamp is not None]
    times = np.array([(stamp - min(taken)).total_seconds() for stamp in taken])
    if not all(fine for _, fine in found):
        return _from_whole_seconds(paths, np.floor(times + 1e-6))
    order = np.argsort(times, kind="stable")
    return Times(
        order=order,
        times_s=_rising(times[order], "EXIF"),
        told_by="EXIF, with parts of a second",
        each_timed=True,
    )


def exif(path: Path) -> Mapping[int, Any]:
    """Return the EXIF tags of a picture that are used; none where it has none."""
    with read_well(path):
        if path.suffix.lower() in (".tif", ".tiff"):
            with tifffile.TiffFile(path) as file:
                return _tiff_tags(file)
        with PillowImage.open(path) as image:
            tags = image.getexif()
            return {**tags.get_ifd(_EXIF), **({TURNED: tags[TURNED]} if TURNED in tags else {})}


def _tiff_tags(file: tifffile.TiffFile) -> dict[int, Any]:
    page = file.pages[0]
    tag, turned = page.tags.get(_EXIF), page.tags.get(TURNED)  # type: ignore[union-attr]
    named = tag.value if tag is not None and isinstance(tag.value, dict) else {}
    names = {"DateTimeOriginal": TAKEN, "SubsecTimeOriginal": PART, "ExposureTime": SHUTTER}
    names |= {"FNumber": F_NUMBER, "ISOSpeedRatings": ISO}
    found = {names[name]: value for name, value in named.items() if name in names}
    return found if turned is None else {**found, TURNED: int(turned.value)}


@contextmanager
def read_well(path: Path) -> Iterator[None]:
    """Say of which picture it is that it cannot be read, whatever its reader raises.

    Such a part may stand at the end of a file that is cut short.
    """
    try:
        yield
    except Exception as error:  # decoders raise many kinds on a broken file
        told = plain_line(str(error).replace(str(path), path.name), longest=_LONGEST)
        raise RequestError(
            f"{path.name} cannot be read as a picture: got {_length(path)} ({told}), allowed a "
            "whole TIFF, PNG or JPEG"
        ) from error


def _length(path: Path) -> str:
    return f"{path.stat().st_size} bytes" if path.is_file() else "no file"


def number_of(value: Any) -> float | None:
    """Return the positive number that an EXIF tag holds; None where it holds none."""
    if isinstance(value, tuple):
        if len(value) == 2 and all(isinstance(n, int | float) for n in value) and value[1]:
            value = value[0] / value[1]
        else:
            value = value[0] if len(value) == 1 else None
    try:
        found = float(value)
    except (TypeError, ValueError, ArithmeticError):
        return None
    return found if np.isfinite(found) and found > 0 else None


def pace_bounds(stamps_s: Doubles) -> tuple[float, float]:
    """Return the bounds of the time from frame to frame that whole seconds leave open.

    Parameters
    ----------
    stamps_s : array (frames,)
        Seconds of an even burst, the parts of a second cut off, rising.

    Notes
    -----
    Frame i is taken at phase + i p, and its stamp s_i is that time cut to a whole second. Frames
    i < j then allow (s_j - s_i - 1) / (j - i) < p < (s_j - s_i + 1) / (j - i); where all pairs
    agree there is a phase that fits all of them.
    """
    i, j = np.triu_indices(len(stamps_s), 1)
    passed, steps = stamps_s[j] - stamps_s[i], j - i
    return float(max(((passed - 1) / steps).max(), 0.0)), float(((passed + 1) / steps).min())


def _from_whole_seconds(paths: Sequence[Path], stamps_s: Doubles) -> Times:
    order = _whole_second_order(paths, stamps_s)
    stamps_s = stamps_s[order]
    low, high = pace_bounds(stamps_s)
    if low > high:
        raise RequestError(
            "the time stamps are whole seconds: got times that no even rate fits, allowed those of "
            "one: the camera waited or stopped; give its rate with --fps"
        )
    if high > _LOOSEST * low:
        allowed = f"from {1 / high:.2g}" + (f" to {1 / low:.2g}" if low > 0 else " up")
        raise RequestError(
            f"the time stamps are whole seconds and allow any rate {allowed} frames a second; "
            "give its rate with --fps, or the bounds of it as --fps LOW-HIGH"
        )
    step = 2 / (1 / low + 1 / high)
    return Times(
        order=order,
        times_s=np.asarray(step * np.arange(len(paths))),
        told_by=f"EXIF in whole seconds: {1 / high:.3g} to {1 / low:.3g} frames a second",
        each_timed=False,
        pace=(low / step, high / step),
    )


def _paced(paths: Sequence[Path], frames_per_s: float | tuple[float, float]) -> Times:
    low, high = frames_per_s if isinstance(frames_per_s, tuple) else (frames_per_s, frames_per_s)
    rate = (low + high) / 2
    told = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    return Times(
        order=_unwrapped(paths),
        times_s=np.arange(len(paths)) / rate,
        told_by=f"{told} frames a second, asked",
        each_timed=False,
        pace=(rate / high, rate / low),
    )


def _whole_second_order(paths: Sequence[Path], stamps_s: Doubles) -> npt.NDArray[np.intp]:
    """Return the order of shooting: by second, and within one by name, across a counter's end."""
    order = _unwrapped(paths)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return np.lexsort((rank, stamps_s))


def _unwrapped(paths: Sequence[Path]) -> npt.NDArray[np.intp]:
    """Return the order of files whose counter may have begun anew among them: 9999, then 0001."""
    plain = np.arange(len(paths))
    found = [re.search(r"(\d+)\D*$", path.stem) for path in paths]
    counts = np.array([int(match.group(1)) if match else -1 for match in found])
    heads = {
        path.stem[: match.start()] if match else None
        for path, match in zip(paths, found, strict=True)
    }
    if len(heads) != 1 or None in heads:
        return plain
    gaps = np.diff(counts)
    seam = int(np.argmax(gaps)) + 1
    if gaps[seam - 1] < max(_WRAPPED, (counts[-1] - counts[0]) / 2):
        return plain
    return np.roll(plain, -seam)


def _rising(times: Doubles, source: str) -> Doubles:
    late = np.flatnonzero(np.diff(times) <= 0)
    if late.size:
        raise RequestError(
            f"{source}: got a frame, {late[0] + 1}, no later than the one before, allowed later; "
            "are the pictures of one burst?"
        )
    return times - times[0]


def _stamp(path: Path) -> tuple[datetime | None, bool]:
    """Return when a picture was taken, and whether parts of a second are known."""
    tags = exif(path)
    try:
        taken = datetime.strptime(str(tags.get(TAKEN, "")), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None, False
    part = str(tags.get(PART, "")).strip().strip("\0")
    if not (part.isascii() and part.isdigit()):
        return taken, False
    return taken.replace(microsecond=min(round(float(f"0.{part}") * 1e6), 999_999)), True
