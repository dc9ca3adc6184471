"""The CIEDE2000 colour difference of sRGB-encoded images."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from skimage.color import deltaE_ciede2000, rgb2lab

from ..ground.types import Floats


def colour_difference(first: Floats, second: Floats) -> Floats:
    """CIEDE2000 of two sRGB-encoded images 0..1, pixel by pixel, shape (H, W).

    Values outside 0..1 have no colour in sRGB and are clipped. A grey image counts as R = G = B.
    """
    return lab_difference(lab(first), lab(second)).astype(np.float32)


def lab_difference(first: npt.ArrayLike, second: npt.ArrayLike) -> npt.NDArray[np.floating]:
    """CIEDE2000 of CIELAB colours along the last axis (Sharma, Wu & Dalal 2005)."""
    return deltaE_ciede2000(np.asarray(first), np.asarray(second), channel_axis=-1)


def lab(image: Floats) -> Floats:
    """CIELAB of an sRGB-encoded image 0..1, white at D65, shape (H, W, 3)."""
    rgb = image if image.ndim == 3 else np.repeat(image[..., None], 3, axis=2)
    return rgb2lab(np.clip(rgb, 0.0, 1.0), channel_axis=-1)
