"""The sRGB transfer function (IEC 61966-2-1) and the weights of luma.

There is one rule for values outside 0..1: the curve goes on, above 1 by its power and below 0
mirrored, f(-x) = -f(x), as amendment 1 of the standard and CSS Color 4 extend it. So decoding
undoes encoding everywhere, and the overshoot of a resampled picture survives. What a file or a
screen can show is cut to 0..1 first: `clipped_srgb`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from .types import Floats

#: Red, green, blue: of Rec. ITU-R BT.709, whose primaries sRGB shares. On linear light they give
#: relative luminance, on encoded values luma.
LUMA = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)


def encode_srgb(linear: npt.ArrayLike) -> Floats:
    """Encode linear light, any shape; black = 0, white = 1, beyond see the module's head.

    Parameters
    ----------
    linear : array_like
        Light, 1 = white.

    Examples
    --------
    >>> [round(float(value), 3) for value in encode_srgb([0.0, 0.18, 1.0])]
    [0.0, 0.461, 1.0]
    """
    value = np.asarray(linear, dtype=np.float32)
    size = np.abs(value)
    curve = 1.055 * size ** np.float32(1 / 2.4) - 0.055
    return np.copysign(np.where(size <= 0.0031308, size * 12.92, curve), value)


def decode_srgb(encoded: npt.ArrayLike, *, dtype: npt.DTypeLike = np.float32) -> npt.NDArray:
    """Decode sRGB values, any shape, to linear light: the inverse of `encode_srgb`.

    Parameters
    ----------
    encoded : array_like
        Black = 0, white = 1; beyond see the module's head.
    dtype : float type
        To compute in and to return.

    Examples
    --------
    >>> decode_srgb([0.0, 0.5, 1.0], dtype=float).round(3).tolist()
    [0.0, 0.214, 1.0]
    """
    value = np.asarray(encoded, dtype=dtype)
    size = np.abs(value)
    curve = ((size + 0.055) / 1.055) ** 2.4
    return np.copysign(np.where(size <= 0.04045, size / 12.92, curve), value)


def clipped_srgb(linear: npt.ArrayLike) -> Floats:
    """Encode linear light as a picture file can hold it: cut to 0..1 first.

    Parameters
    ----------
    linear : array_like
        Light, 1 = white.
    """
    return encode_srgb(np.clip(np.asarray(linear, dtype=np.float32), 0, 1))


def luma(image: Floats) -> Floats:
    """Return the weighted sum of the channels, shape (rows, cols); a grey image is its own luma.

    Parameters
    ----------
    image : array (rows, cols, 3) or (rows, cols)
        Of any encoding.

    Examples
    --------
    >>> green = np.zeros((1, 1, 3), np.float32) + np.float32([0, 1, 0])
    >>> round(float(luma(green)[0, 0]), 4)
    0.7152
    """
    return image if image.ndim == 2 else image @ LUMA
