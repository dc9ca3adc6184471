"""Reads picture files of unknown make: first the size that a file claims, then its pixels."""

from __future__ import annotations

from pathlib import Path

from ...ground.finished import finished
from ...ground.pictures import declared_shape, decode_image
from ...ground.types import Image
from ..contract import InvalidOutput
from .handover import read_bytes

_COLOURS = (3, 4)  # an opacity channel that hides nothing is left out
# A file is hardly larger than four channels of 64 bits, and some room for what is said beside.
_BYTES_A_PIXEL, _ROOM_MB = 32, 8.0


def read_picture(
    path: Path,
    shape: tuple[int, ...],
    *,
    max_mb: float | None = None,
    who: str = "the program",
) -> Image:
    """Return a picture or map of a known shape.

    Parameters
    ----------
    path : Path
    shape : (rows, cols, 3) or (rows, cols)
    max_mb : float or None
        Largest file, MB; None follows from the shape.
    who : str
        Who should have written it, for the message.

    Raises
    ------
    InvalidOutput
        No such file, no regular file, too large, no picture, another shape, partly transparent or
        in other colours than sRGB's.
    """
    if max_mb is None:
        max_mb = shape[0] * shape[1] * _BYTES_A_PIXEL / 1e6 + _ROOM_MB
    data = read_bytes(path, max_mb=max_mb, who=who)
    suffix = path.suffix.lower()
    try:
        found = declared_shape(data, suffix)
        fits = found == shape or (len(shape) == 3 and found in [(*shape[:2], n) for n in _COLOURS])
        if fits and len(shape) == 3:
            return finished(data, path.name)
        if fits:
            return decode_image(data, suffix)
    except (ValueError, MemoryError) as error:
        named = "" if str(error).startswith(path.name) else f"{path.name} "
        raise InvalidOutput(f"{named}{error}") from error
    raise InvalidOutput(f"{path.name}: got shape {found}, expected {shape}")
