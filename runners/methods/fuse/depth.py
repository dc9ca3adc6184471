"""Depth stages: where in the order of depth each pixel is sharpest.

They can follow any fusion; `depth_of_fusion` hands on the depth that a fusion finds itself.
"""

from __future__ import annotations

from ....ground.srgb import LUMA
from ....ground.types import Floats
from ..align.aligned import AlignedFrames
from .focus_map import WINDOW, sharpest_position, smoothed_position
from .fused import Fused


def no_depth(aligned: AlignedFrames, fused: Fused) -> None:
    """Give no depth."""
    return


def depth_of_fusion(aligned: AlignedFrames, fused: Fused) -> Floats | None:
    """Take the depth that the fusion itself found, if it did."""
    return fused.position


def argmax_depth(aligned: AlignedFrames, fused: Fused, *, window: int = WINDOW) -> Floats:
    """Take the frame of the largest sum-modified Laplacian."""
    return sharpest_position(aligned, window, "argmax")[0]


def peak_depth(aligned: AlignedFrames, fused: Fused, *, window: int = WINDOW) -> Floats:
    """Take the peak of a Gaussian through the largest value and its two neighbours."""
    return sharpest_position(aligned, window, "gaussian")[0]


def regularised_depth(
    aligned: AlignedFrames,
    fused: Fused,
    *,
    window: int = WINDOW,
    radius: int = 8,
    epsilon: float = 1e-3,
) -> Floats:
    """Smooth the Gaussian peak along the edges of the merged picture, by how sharp it is."""
    position, height = sharpest_position(aligned, window, "gaussian")
    return smoothed_position(position, height, fused.image @ LUMA, radius, epsilon)
