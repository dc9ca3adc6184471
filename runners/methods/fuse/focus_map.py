"""Fusions by a focus map: find the sharpest frame of each pixel, then take the pixel from it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy import ndimage

from ....ground.srgb import LUMA
from ....ground.types import Bools, Floats
from ....metrics.focus import MEASURES
from ....metrics.focus.peak import find_peak
from ..align.aligned import AlignedFrames
from ..picture.guided import box
from .fused import Fused

WINDOW = 9


def focus_map(aligned: AlignedFrames, *, window: int = WINDOW, kind: str = "gaussian") -> Fused:
    """Find the peak of the sum-modified Laplacian and blend the two frames nearest to it.

    Parameters
    ----------
    window : int
        Side of the window of the focus measure, px, odd.
    kind : {"argmax", "gaussian", "parabola"}
        How the peak is found between frames.

    References
    ----------
    S. K. Nayar and Y. Nakagawa, "Shape from focus", IEEE Trans. Pattern Analysis and Machine
    Intelligence 16, 824 (1994). Step 1, no threshold, and the blend of the two nearest frames
    are choices made here.
    """
    position, _ = sharpest_position(aligned, window, kind)
    return Fused(blended(aligned, position), position)


def guided_focus_map(
    aligned: AlignedFrames, *, window: int = WINDOW, radius: int = 8, epsilon: float = 1e-3
) -> Fused:
    """Clean the focus map by a guided filter before taking pixels by it.

    The map is weighed by its own sharpness, so that where nothing is sharp it follows what is
    near; the guide is the luma of the picture that the uncleaned map gives.

    Parameters
    ----------
    window : int
        Side of the window of the focus measure, px, odd.
    radius, epsilon : int, float
        Of the guided filter, px and luma squared.

    References
    ----------
    Nayar and Nakagawa 1994 for the map, He, Sun and Tang 2013 for the filter; the weighing and
    both constants are choices made here.
    """
    position, height = sharpest_position(aligned, window, "gaussian")
    guide = blended(aligned, position) @ LUMA
    cleaned = smoothed_position(position, height, guide, radius, epsilon)
    return Fused(blended(aligned, cleaned), cleaned)


def sharpest_position(aligned: AlignedFrames, window: int, kind: str) -> tuple[Floats, Floats]:
    """Return where each pixel is sharpest in the order of depth, and how sharp it is there.

    Parameters
    ----------
    window : int
        Side of the window of the focus measure, px, odd.
    kind : {"argmax", "gaussian", "parabola"}
        How the peak is found between frames.
    """
    peak = find_peak(sharpness(aligned, window), kind=kind)
    position = np.clip(np.nan_to_num(peak.position), 0, len(aligned) - 1).astype(np.float32)
    return position, np.nan_to_num(peak.height).astype(np.float32, copy=False)


def smoothed_position(
    position: Floats, trust: Floats, guide: Floats, radius: int, epsilon: float
) -> Floats:
    """Smooth a map along the edges of a guide, each place counting as much as it is trusted.

    The guided filter's line through each window is fitted by weighted least squares. A line
    extends beyond its points: where a pixel is brighter or darker than all that is trusted near
    it, the line would give a depth that nothing there has. So no pixel goes beyond what the map
    holds within the two windows that reach it.
    """
    weight = np.asarray(trust / (trust.mean() + 1e-12) + 1e-3, dtype=np.float32)
    total = box(weight, radius)
    mean_guide = box(weight * guide, radius) / total
    mean = box(weight * position, radius) / total
    # About the mean, for float32 cannot hold the difference of two large squares.
    level, middle = np.float32(guide.mean()), np.float32(position.mean())
    apart = np.asarray(guide - level, dtype=np.float32)
    off = np.asarray(position - middle, dtype=np.float32)
    spread = box(weight * apart * apart, radius) / total - (mean_guide - level) ** 2
    shared = box(weight * apart * off, radius) / total - (mean_guide - level) * (mean - middle)
    least = np.float32(epsilon)
    slope = np.asarray(shared / (np.maximum(spread, 0) + least), dtype=np.float32)
    offset = np.asarray(mean - slope * mean_guide, dtype=np.float32)
    smooth = box(slope, radius) * guide + box(offset, radius)
    reach = min(4 * radius + 1, 2 * min(position.shape) - 1)
    low = ndimage.minimum_filter(position, reach, mode="nearest")
    high = ndimage.maximum_filter(position, reach, mode="nearest")
    return np.asarray(np.clip(smooth, low, high), dtype=np.float32)


def sharpness(aligned: AlignedFrames, window: int) -> Iterator[Floats]:
    """Yield the sum-modified Laplacian of each frame, NaN where the frame shows nothing."""
    window = fitting(window, aligned.shape)
    for position, frame in enumerate(aligned.greys()):
        values = MEASURES["lap2"](frame.image, window=window).astype(np.float32, copy=False)
        if position != aligned.reference_position:
            values[~within(frame.covered, window // 2 + 1)] = np.nan
        yield values


def fitting(window: int, shape: tuple[int, int]) -> int:
    """Return the largest odd window up to `window` that fits a picture."""
    return min(window, 2 * ((min(shape) - 1) // 2) + 1)


def within(covered: Bools, reach: int) -> Bools:
    """Say where all of a square of 2 `reach` + 1 pixels is covered; outside the picture counts."""
    if covered.all():
        return covered
    size = 2 * reach + 1
    return np.asarray(ndimage.minimum_filter(covered.astype(np.uint8), size, mode="nearest") > 0)


def blended(aligned: AlignedFrames, position: Floats) -> Floats:
    """Take each pixel from the two frames either side of a position, in proportion."""
    out = np.zeros((*aligned.shape, 3), dtype=np.float32)
    total = np.zeros((*aligned.shape, 1), dtype=np.float32)
    for index, frame in enumerate(aligned):
        weight = np.maximum(0, 1 - np.abs(position - index))[..., None]
        weight *= np.where(frame.covered, 1, 1e-3)[..., None]
        out += weight * frame.image
        total += weight
    out /= np.maximum(total, np.float32(1e-6))
    return out
