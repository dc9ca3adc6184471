"""The sRGB encoding, luma, and the CIEDE2000 colour difference."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from skimage.color import deltaE_ciede2000, rgb2lab

FloatImage = npt.NDArray[np.float32]

# Weights of Rec. ITU-R BT.709, whose primaries sRGB shares.
LUMA_WEIGHTS = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)


def srgb_to_linear(encoded: npt.ArrayLike) -> FloatImage:
    """Linear light of an sRGB-encoded image, both 0..1 (IEC 61966-2-1).

    Values outside 0..1 are carried on along the same curve; below 0 that is the straight line.
    """
    value = np.asarray(encoded, dtype=np.float32)
    curve = np.power((np.maximum(value, np.float32(0.04045)) + 0.055) / 1.055, np.float32(2.4))
    return np.where(value <= 0.04045, value / np.float32(12.92), curve).astype(np.float32)


def linear_to_srgb(linear: npt.ArrayLike) -> FloatImage:
    """Encode linear light as sRGB, both 0..1 (IEC 61966-2-1); the inverse of `srgb_to_linear`."""
    value = np.asarray(linear, dtype=np.float32)
    curve = 1.055 * np.power(np.maximum(value, np.float32(0.0031308)), np.float32(1 / 2.4)) - 0.055
    return np.where(value <= 0.0031308, value * np.float32(12.92), curve).astype(np.float32)


def luma(image: FloatImage) -> FloatImage:
    """Weighted sum of the encoded channels, shape (H, W); a grey image is its own luma."""
    return image if image.ndim == 2 else image @ LUMA_WEIGHTS


def colour_difference(first: FloatImage, second: FloatImage) -> FloatImage:
    """CIEDE2000 of two sRGB-encoded images 0..1, pixel by pixel, shape (H, W).

    Values outside 0..1 have no colour in sRGB and are clipped. A grey image counts as R = G = B.
    """
    return lab_difference(_lab(first), _lab(second)).astype(np.float32)


def lab_difference(first: npt.ArrayLike, second: npt.ArrayLike) -> npt.NDArray[np.floating]:
    """CIEDE2000 of CIELAB colours along the last axis (Sharma, Wu & Dalal 2005)."""
    return deltaE_ciede2000(np.asarray(first), np.asarray(second), channel_axis=-1)


def _lab(image: FloatImage) -> FloatImage:
    rgb = image if image.ndim == 3 else np.repeat(image[..., None], 3, axis=2)
    return rgb2lab(np.clip(rgb, 0.0, 1.0), channel_axis=-1)
