"""Between a frame's own encoding and linear light, and gains applied in linear light."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from ....ground.srgb import decode_srgb, encode_srgb
from ....ground.types import Floats, Image
from .strips import strips


def full_scale(dtype: np.dtype[Any]) -> float:
    """Return the value that stands for white in a picture of this type."""
    return float(np.iinfo(dtype).max) if dtype.kind == "u" else 1.0


def to_float(image: Image, *, gain: npt.ArrayLike = 1.0, linear: bool) -> Floats:
    """Turn a frame into float32 in its own encoding, 1.0 = white; see `decoder`."""
    return decoder(image.dtype, gain=gain, linear=linear)(image)


def decoder(
    dtype: np.dtype[Any], *, gain: npt.ArrayLike = 1.0, linear: bool
) -> Callable[[Image], Floats]:
    """Return what turns (rows of) a frame into float32 in its own encoding, 1.0 = white.

    Parameters
    ----------
    dtype : dtype
        Of the frame: uint8, uint16 or float.
    gain : float or array of three
        Factor on linear light, one per channel or one for all.
    linear : bool
        Whether the encoding is linear light; else it is sRGB.
    """
    gains = np.broadcast_to(np.asarray(gain, dtype=np.float32), 3)
    if (gains == 1).all() or linear:
        factors = gains / np.float32(full_scale(dtype))
        return lambda image: image.astype(np.float32) * factors
    if dtype.kind != "u":
        return lambda image: encode_srgb(decode_srgb(image) * gains)
    # A table of 65536 values costs less than a power per pixel.
    tables = [encode_srgb(_light_of_values(dtype) * one) for one in gains]
    return lambda image: _looked_up(tables, image)


def _looked_up(tables: Sequence[Floats], image: Image) -> Floats:
    out = np.empty(image.shape, dtype=np.float32)
    for rows in strips(len(image), image[0].size):
        for channel, table in enumerate(tables):
            # With a mode, take need not check first, and makes no copy.
            out[rows, :, channel] = np.take(table, image[rows, :, channel], mode="clip")
    return out


def to_light(image: Image, *, linear: bool) -> Floats:
    """Turn a frame into linear light, float32, 1.0 = white."""
    if linear:
        return image.astype(np.float32) / np.float32(full_scale(image.dtype))
    if image.dtype.kind != "u":
        return decode_srgb(image)
    return np.take(_light_of_values(image.dtype), image, mode="clip")


@cache
def _light_of_values(dtype: np.dtype[Any]) -> Floats:
    """Return the linear light of every value that an unsigned type can hold."""
    levels = np.arange(int(full_scale(dtype)) + 1, dtype=np.float32)
    light = decode_srgb(levels / levels[-1])
    light.flags.writeable = False
    return light


def like(image: Floats, dtype: np.dtype[Any]) -> Image:
    """Turn float32 back into the frames' own type, clipped to its range."""
    clipped = np.clip(image, 0, 1)
    if dtype.kind != "u":
        return clipped.astype(np.float32)
    return np.rint(clipped * np.float32(full_scale(dtype))).astype(dtype)
