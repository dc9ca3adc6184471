"""Reads picture files of unknown make: first the size that a file claims, then its pixels."""

from __future__ import annotations

import warnings
from pathlib import Path

import PIL.Image
import tifffile

from ...ground.finished import read_finished
from ...ground.pictures import read_image
from ...ground.types import Image
from ..contract import InvalidOutput
from .handover import MAX_PICTURE_MB, regular_file

_TIFF = (".tif", ".tiff")
_COLOURS = (3, 4)  # an opacity channel that hides nothing is left out


def read_picture(
    path: Path,
    shape: tuple[int, ...],
    *,
    max_mb: float = MAX_PICTURE_MB,
    who: str = "the program",
) -> Image:
    """Return a picture or map of a known shape.

    Parameters
    ----------
    path : Path
    shape : (rows, cols, 3) or (rows, cols)
    max_mb : float
        Largest file, MB.
    who : str
        Who should have written it, for the message.

    Raises
    ------
    InvalidOutput
        No such file, no regular file, too large, no picture, another shape, partly transparent or
        in other colours than sRGB's.
    """
    found = _declared_shape(regular_file(path, max_mb=max_mb, who=who))
    fits = found == shape or (len(shape) == 3 and found in [(*shape[:2], n) for n in _COLOURS])
    if not fits:
        raise InvalidOutput(f"{path.name} has shape {found}, expected {shape}")
    try:
        return read_finished(path) if len(shape) == 3 else read_image(path)
    except (ValueError, OSError, MemoryError) as error:
        raise InvalidOutput(" ".join(str(error).split())) from error


def _declared_shape(path: Path) -> tuple[int, ...]:
    """Return what a file says of its shape."""
    try:
        if path.suffix.lower() in _TIFF:
            with tifffile.TiffFile(path) as file:
                return tuple(int(size) for size in file.series[0].shape)
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # Pillow warns of pictures that would fill the memory
            with PIL.Image.open(path) as picture:
                columns, rows = picture.size
                bands = len(picture.getbands())
    except Exception as error:  # decoders raise many kinds on a broken file
        detail = " ".join(str(error).split())[:200].replace(str(path), path.name)
        raise InvalidOutput(f"{path.name} cannot be read as a picture: {detail}") from error
    return (rows, columns) if bands == 1 else (rows, columns, bands)
