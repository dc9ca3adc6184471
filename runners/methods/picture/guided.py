"""The guided filter of K. He, J. Sun and X. Tang (IEEE Trans. PAMI 35, 1397, 2013)."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from ....ground.types import Floats


def box(image: Floats, radius: int) -> Floats:
    """Average over a square of 2 `radius` + 1 pixels; the edge is continued outside."""
    return ndimage.uniform_filter(image, 2 * radius + 1, output=np.float32, mode="nearest")


class GuidedFilter:
    """Smooths a picture along the edges of a guide; the guide's sums are worked out once.

    Parameters
    ----------
    guide : array (rows, cols) of float32
        Grey, 0..1.
    radius : int
        Of the window, px.
    epsilon : float
        Variance of the guide, on its 0..1 scale, below which a window counts as flat.
    """

    def __init__(self, guide: Floats, *, radius: int, epsilon: float) -> None:
        self.guide, self.radius = guide, radius
        self.mean = box(guide, radius)
        spread = box(guide * guide, radius) - self.mean**2
        self.spread = np.maximum(spread, 0) + np.float32(epsilon)

    def __call__(self, image: Floats) -> Floats:
        """Filter a picture of the guide's shape."""
        mean = box(image, self.radius)
        slope = (box(self.guide * image, self.radius) - self.mean * mean) / self.spread
        offset = mean - slope * self.mean
        return np.asarray(box(slope, self.radius) * self.guide + box(offset, self.radius))
