"""Floors: fusions that do not look at sharpness."""

from __future__ import annotations

import numpy as np

from ..align.views import Views
from .fused import Fused

_BLOCK_PX = 16


def one_frame(views: Views) -> Fused:
    """Take the reference frame as it is."""
    return Fused(views.view(views.reference_position).image)


def mean(views: Views) -> Fused:
    """Average all frames, each where it shows something."""
    total = np.zeros((*views.shape, 3), dtype=np.float32)
    weight = np.zeros((*views.shape, 1), dtype=np.float32)
    for view in views:
        total += view.image * view.covered[..., None]
        weight += view.covered[..., None]
    total /= np.maximum(weight, 1)
    return Fused(total)


def random_blocks(views: Views, *, seed: int = 0) -> Fused:
    """Take every block of the picture from a frame drawn at random: a focus map that knows nothing.

    Parameters
    ----------
    seed : int
        Of the draw; the same seed gives the same picture.
    """
    blocks = tuple(-(-side // _BLOCK_PX) for side in views.shape)
    drawn = np.random.default_rng(seed).integers(len(views), size=blocks)
    height, width = views.shape
    position = np.kron(drawn, np.ones((_BLOCK_PX, _BLOCK_PX), dtype=int))[:height, :width]
    out = views.view(views.reference_position).image.copy()
    for index, view in enumerate(views):
        take = (position == index) & view.covered
        out[take] = view.image[take]
    return Fused(out, position.astype(np.float32))
