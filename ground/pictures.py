"""Picture files: TIFF, PNG and JPEG, by the ending of their name."""

from __future__ import annotations

import re
import struct
from io import BytesIO
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile

from .picture_heads import head_shape, tiff_shape
from .text import plain_line
from .types import Image

_TIFF = (".tif", ".tiff")
_PNG = (".png",)
_JPEG = (".jpg", ".jpeg")
_JPEG_LEVEL = 95
_PNG_LEVEL = 3
_DETAIL = 200
_IN_MEMORY = re.compile(r" <_io\.BytesIO object at 0x[0-9a-f]+>")
_OF_NO_WORDS = (TypeError, LookupError, AttributeError, ArithmeticError, struct.error)


def encode_image(image: Image, suffix: str) -> bytes:
    """Return the bytes of a picture file.

    Parameters
    ----------
    image : array (rows, cols) or (rows, cols, 3)
        uint8 or uint16; float32 for TIFF alone; uint8 alone for JPEG.
    suffix : str
        ``.tif``, ``.png`` or ``.jpg``.

    Raises
    ------
    ValueError
        The suffix is not known.
    """
    kind = _kind(suffix)
    if kind is _TIFF:
        return _tiff(image)
    if kind is _PNG:
        return bytes(imagecodecs.png_encode(np.ascontiguousarray(image), level=_PNG_LEVEL))
    return bytes(imagecodecs.jpeg8_encode(image, level=_JPEG_LEVEL, subsampling="444"))


def encode_map(image: Image) -> bytes:
    """Return the bytes of a TIFF compressed without loss, for maps and images of the truth."""
    return _tiff(image, compression="zlib", predictor=True, compressionargs={"level": 4})


def write_copy(path: str | Path, image: Image) -> None:
    """Write a picture that is soon thrown away: compressed little.

    A JPEG has its colours at half resolution, as most cameras write them.
    """
    path = Path(path)
    kind = _kind(path.suffix.lower())
    if kind is _TIFF:
        path.write_bytes(_tiff(image))
    elif kind is _PNG:
        path.write_bytes(imagecodecs.png_encode(np.ascontiguousarray(image), level=1))
    else:
        path.write_bytes(imagecodecs.jpeg8_encode(image, level=_JPEG_LEVEL, subsampling="420"))


def _tiff(image: Image, **how: Any) -> bytes:
    file = BytesIO()
    tifffile.imwrite(
        file,
        image,
        byteorder="<",
        photometric="rgb" if image.ndim == 3 else "minisblack",
        metadata=None,
        software=False,
        **how,
    )
    return file.getvalue()


def read_image(path: str | Path) -> Image:
    """Read one picture file as it is, without its opacity channel.

    Raises
    ------
    ValueError
        It is cut off, no picture, or its suffix is not known; the message names the file.
    OSError
        It cannot be read.
    """
    path = Path(path)
    try:
        return _decoded(path, path.suffix.lower())
    except ValueError as error:
        raise ValueError(f"{path.name} {error}") from error


def declared_shape(source: Path | bytes, suffix: str) -> tuple[int, ...]:
    """Return what a picture file says of its shape; nothing of it is decoded.

    Parameters
    ----------
    source : Path or bytes
    suffix : str

    Raises
    ------
    ValueError
        It is no picture, or too large.
    """
    try:
        if _kind(suffix) is not _TIFF:
            return head_shape(source)
        with tifffile.TiffFile(_file(source)) as file:
            return tiff_shape(file)
    except Exception as error:
        raise _no_picture(source, error) from error


def encoded_channels(source: Path | bytes, suffix: str) -> Image:
    """Read a picture as `decode_image` does, with its opacity channel if it has one."""
    try:
        return _opened(source, suffix)
    except Exception as error:
        raise _no_picture(source, error) from error


def without_opacity(image: Image) -> Image:
    """Return a picture's colours alone."""
    return image[..., :3] if image.ndim == 3 and image.shape[2] == 4 else image


def decode_image(data: bytes, suffix: str) -> Image:
    """Return the picture that a file's bytes hold, as it is, without its opacity channel.

    Raises
    ------
    ValueError
        The bytes are cut off or no picture, or the suffix is not known.

    Notes
    -----
    The end of a JPEG that is cut off is grey: its decoder warns of that and goes on.
    """
    return _decoded(data, suffix)


def _decoded(source: Path | bytes, suffix: str) -> Image:
    return without_opacity(encoded_channels(source, suffix))


def _no_picture(source: Path | bytes, error: Exception) -> Exception:
    """Return what is to be raised instead of what the decoders do: many kinds on a broken file."""
    if isinstance(error, OSError) and error.errno is not None and isinstance(source, Path):
        return error  # there is no such file, or it may not be read
    name = source.name if isinstance(source, Path) else ""
    detail = _IN_MEMORY.sub("", " ".join(str(error).split()))
    if name:
        detail = detail.replace(str(source), name)
    if isinstance(error, _OF_NO_WORDS):  # what Python says of a decoder that went astray
        detail = "its parts do not fit together"
    detail = plain_line(detail, longest=_DETAIL)
    if not ("got " in detail and "allowed" in detail):
        detail = f"{detail}; got {_seen(source)}, allowed a whole TIFF, PNG or JPEG"
    return ValueError(f"cannot be read as a picture: {detail}")


def _seen(source: Path | bytes) -> str:
    """Return length and first bytes of a file."""
    try:
        with BytesIO(source) if isinstance(source, bytes) else source.open("rb") as file:
            start = file.read(4)
            length = file.seek(0, 2)
    except OSError:
        return "a file that cannot be opened"
    begins = f" that begin with {start.hex(' ')}" if start else ""
    return f"{length} bytes{begins}"


def _opened(source: Path | bytes, suffix: str) -> Image:
    kind = _kind(suffix)
    if kind is _TIFF:
        with tifffile.TiffFile(_file(source)) as file:
            tiff_shape(file)
            # From a file straight into the array, where nothing is compressed.
            return file.asarray()
    data = source.read_bytes() if isinstance(source, Path) else source
    head_shape(data)
    return imagecodecs.png_decode(data) if kind is _PNG else imagecodecs.jpeg8_decode(data)


def _file(source: Path | bytes) -> Path | BytesIO:
    return BytesIO(source) if isinstance(source, bytes) else source


def _kind(suffix: str) -> tuple[str, ...]:
    for kind in (_TIFF, _PNG, _JPEG):
        if suffix in kind:
            return kind
    allowed = ", ".join((*_TIFF, *_PNG, *_JPEG))
    raise ValueError(f"got suffix {suffix!r}, allowed one of {allowed}")
