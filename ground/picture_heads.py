"""What a picture file says of itself, seen before any of its pixels are decoded.

A file of a megabyte can claim, or expand to, any number of pixels. So pixels are counted from its
head, and a TIFF may hold only what expands to no more than its head says.
"""

from __future__ import annotations

import logging
import warnings
from io import BytesIO
from pathlib import Path

import numpy as np
import PIL.Image
import tifffile

#: Most pixels of a picture: twice what the largest sensors have (150 million); 16 bits, 1.8 GB.
MAX_PIXELS = 300_000_000
_MAX_PAGES = 64
_COLOURS = 4
# None, LZW, deflate (two numbers), PackBits, LZMA, Zstandard: TIFF 6.0 and the registry of
# compressions. Those that hold a whole picture of another format decode what that one's head says.
_COMPRESSIONS = (1, 5, 8, 32946, 32773, 34925, 50000)
_WIDEST = 64  # bytes of a pixel

# What it finds odd in a file goes to stderr else, beside the one sentence that we say.
logging.getLogger("tifffile").addHandler(logging.NullHandler())


def tiff_shape(file: tifffile.TiffFile, *, max_pixels: int = MAX_PIXELS) -> tuple[int, ...]:
    """Return the shape of a TIFF's picture, once nothing in it can grow beyond that.

    Raises
    ------
    ValueError
        Too many pixels or pages, tiles larger than the picture is, or a compression that may
        expand to anything.
    """
    pages = len(file.pages)
    if not 1 <= pages <= _MAX_PAGES:
        raise ValueError(f"got {pages} pages, allowed 1 to {_MAX_PAGES}")
    series = file.series[0]
    for page in series.pages:
        if page is not None and page.keyframe is not None:
            _check_page(page.keyframe, max_pixels)
    shape = tuple(int(size) for size in series.shape)
    _check_pixels(shape, max_pixels)
    return shape


def _check_page(page: tifffile.TiffPage, max_pixels: int) -> None:
    if int(page.compression) not in _COMPRESSIONS:
        raise ValueError(
            f"it is compressed in a way that is not read here: got number {int(page.compression)}, "
            f"allowed {', '.join(map(str, _COMPRESSIONS))}: "
            "save it without compression, or with LZW or deflate"
        )
    if page.dtype is None or page.dtype.itemsize * page.samplesperpixel > _WIDEST:
        raise ValueError(
            f"its values have a type that no picture has: got {page.samplesperpixel} of "
            f"{page.bitspersample} bits a pixel (sample format {int(page.sampleformat)}), "
            f"allowed numbers of {_WIDEST} bytes a pixel at most"
        )
    if page.is_tiled:
        # One tile may be larger than a small picture, but not by much.
        sides = (page.tilewidth, page.tilelength)
        wide, long = page.imagewidth, page.imagelength
        if sides[0] > wide + 1024 or sides[1] > long + 1024 or page.tiledepth > 1:
            raise ValueError(
                f"got tiles of {sides[0]} x {sides[1]} for {wide} x {long} pixels, "
                "allowed at most 1024 more a side"
            )
    _check_pixels(page.shape, max_pixels)


def head_shape(source: Path | bytes, *, max_pixels: int = MAX_PIXELS) -> tuple[int, ...]:
    """Return the shape of a PNG's or JPEG's picture, from its head.

    Raises
    ------
    ValueError, OSError
        It has none, or too many pixels.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of many pixels; they are counted here
        opened = BytesIO(source) if isinstance(source, bytes) else source
        with PIL.Image.open(opened, formats=("PNG", "JPEG")) as picture:
            columns, rows = picture.size
            bands = len(picture.getbands())
    shape = (rows, columns) if bands == 1 else (rows, columns, bands)
    _check_pixels(shape, max_pixels)
    return shape


def _check_pixels(shape: tuple[int, ...], max_pixels: int) -> None:
    sides = shape[:-1] if len(shape) > 2 and shape[-1] <= _COLOURS else shape
    pixels = float(np.prod(np.array(sides, float)))
    if pixels > max_pixels:
        raise ValueError(
            f"it says that it has {' x '.join(map(str, shape))} pixels: got {pixels / 1e6:.4g} "
            f"million, allowed {max_pixels / 1e6:.4g} million"
        )
