"""Floors: fusions that do not look at sharpness."""

from __future__ import annotations

import numpy as np

from runners.methods.fused import Fused
from runners.methods.views import Views


def middle_frame(views: Views) -> Fused:
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
