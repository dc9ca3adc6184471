"""Fusion of two scales with weights from guided filters."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from ....ground.srgb import LUMA
from ....ground.types import Floats, Labels
from ..align.aligned import AlignedFrames
from ..picture.guided import GuidedFilter, box
from .choice import largest
from .fused import Fused

BASE_RADIUS = 15  # the mean filter of 31 x 31 that splits base and detail
SALIENCY_SIGMA = 5.0
SALIENCY_RADIUS = 5
BASE_FILTER = {"radius": 45, "epsilon": 0.3}
DETAIL_FILTER = {"radius": 7, "epsilon": 1e-6}


def guided_weights(aligned: AlignedFrames) -> Fused:
    """Weigh base and detail of each frame by its guided-filtered saliency map.

    References
    ----------
    S. Li, X. Kang and J. Hu, "Image fusion with guided filtering", IEEE Trans. Image Processing
    22, 2864 (2013). Sizes of the mean filter and of both guided filters as published; the
    saliency (absolute 3 x 3 Laplacian under a Gaussian of radius and sigma 5) from memory. For
    more than two frames the weights are normalised over all of them.
    """
    winner = most_salient(aligned)
    shape = (*aligned.shape, 3)
    base, detail = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    base_sum, detail_sum = (np.full((*aligned.shape, 1), 1e-6, np.float32) for _ in range(2))
    for index, frame in enumerate(aligned):
        guide = frame.image @ LUMA
        mask = ((winner == index) & frame.covered).astype(np.float32)
        smooth = np.stack([box(frame.image[..., channel], BASE_RADIUS) for channel in range(3)], -1)
        shown = np.maximum(frame.covered, np.float32(1e-4))[..., None]
        weight = _weight(guide, mask, **BASE_FILTER) * shown
        base += weight * smooth
        base_sum += weight
        weight = _weight(guide, mask, **DETAIL_FILTER) * shown
        detail += weight * (frame.image - smooth)
        detail_sum += weight
    return Fused(base / base_sum + detail / detail_sum, winner.astype(np.float32))


def _weight(guide: Floats, mask: Floats, *, radius: float, epsilon: float) -> Floats:
    filtered = GuidedFilter(guide, radius=int(radius), epsilon=epsilon)(mask)
    return np.clip(filtered, 1e-6, 1)[..., None].astype(np.float32)


def most_salient(aligned: AlignedFrames) -> Labels:
    """Return the position of the frame whose smoothed absolute Laplacian is largest."""
    return largest(aligned, _saliency)


def _saliency(grey: Floats) -> Floats:
    steep = np.abs(ndimage.laplace(grey, mode="nearest"))
    return np.asarray(
        ndimage.gaussian_filter(steep, SALIENCY_SIGMA, mode="nearest", radius=SALIENCY_RADIUS)
    )
