"""Depth stages: where in the order of depth each pixel is sharpest.

They can follow any fusion; a fusion that finds a depth of its own hands it on by
`depth_of_fusion`.
"""

from __future__ import annotations

import numpy as np

from ....ground.srgb import LUMA
from ....ground.types import Floats
from ....metrics.focus.peak import find_peak
from ..align.aligned import AlignedFrames
from .focus_map import WINDOW, sharpness, smoothed_position
from .fused import Fused


def no_depth(aligned: AlignedFrames, fused: Fused) -> None:
    """Tell no depth."""
    return


def depth_of_fusion(aligned: AlignedFrames, fused: Fused) -> Floats | None:
    """Take the depth that the fusion itself found, if it did."""
    return fused.position


def argmax_depth(aligned: AlignedFrames, fused: Fused, *, window: int = WINDOW) -> Floats:
    """Take the frame of the largest sum-modified Laplacian."""
    return _peak(aligned, window, "argmax")[0]


def peak_depth(aligned: AlignedFrames, fused: Fused, *, window: int = WINDOW) -> Floats:
    """Take the peak of a Gaussian through the largest value and its two neighbours."""
    return _peak(aligned, window, "gaussian")[0]


def regularised_depth(
    aligned: AlignedFrames,
    fused: Fused,
    *,
    window: int = WINDOW,
    radius: int = 8,
    epsilon: float = 1e-3,
) -> Floats:
    """Smooth the Gaussian peak along the edges of the merged picture, by how sharp it is."""
    position, height = _peak(aligned, window, "gaussian")
    return smoothed_position(position, height, fused.image @ LUMA, radius, epsilon)


def _peak(aligned: AlignedFrames, window: int, kind: str) -> tuple[Floats, Floats]:
    peak = find_peak(sharpness(aligned, window), kind=kind)
    position = np.clip(np.nan_to_num(peak.position), 0, len(aligned) - 1)
    return position.astype(np.float32), np.nan_to_num(peak.height).astype(np.float32)
