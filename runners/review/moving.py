"""Parts of the subject that moved between frames, so that nothing can be said of them."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from scipy import ndimage

from ...ground.types import Doubles, Floats, Reals
from ..methods.align.align import Alignment
from ..methods.picture.geometry import for_binned, resample_bilinear
from ..methods.picture.stack import InputStack
from .detail import band_of

#: Width of the band that is followed: coarse, so that defocus hardly changes it; small px.
_SIGMA = 2.0
#: Window of a place that is followed, small px (standard deviation).
_WINDOW = 6.0


def movement_px(
    stack: InputStack, alignment: Alignment, order: Sequence[int], at_px: Doubles
) -> Doubles:
    """Return how far each place slips from frame to frame, after the frames were aligned.

    Parameters
    ----------
    stack : InputStack
    alignment : Alignment
    order : sequence of int
        Frames to compare, each with the next.
    at_px : array (2, places)
        Row and column in the reference, px.

    Returns
    -------
    array (places,)
        Median over the pairs, px of the frames; infinite where most pairs do not match at all.

    Notes
    -----
    The way that explains the difference of two pictures best in a window (B. D. Lucas and T.
    Kanade, IJCAI 1981). Parallax slips too, by less than a circle of confusion a frame in any pass
    that leaves no gap.
    """
    size = stack.proxy_bin
    at = (at_px + 0.5) / size - 0.5
    bands = {}
    for frame in order:
        small = stack.small(frame).luma
        matrix = for_binned(alignment.matrices[frame], size)
        moved = resample_bilinear(small / max(float(small.mean()), 1e-6), matrix)
        bands[frame] = band_of(moved.astype(np.float32), _SIGMA)
    slips = np.stack([_slip(bands[one], bands[two], at) for one, two in pairwise(order)])
    return np.asarray(np.median(slips, axis=0) * size)


def _slip(first: Floats, second: Floats, at: Doubles) -> Doubles:
    def mean(values: Reals) -> Doubles:
        smooth = ndimage.gaussian_filter(values.astype(float), _WINDOW, mode="nearest")
        return np.asarray(ndimage.map_coordinates(smooth, at, order=1, mode="nearest"))

    squares = mean(first**2), mean(second**2)
    alike = mean(first * second) / np.sqrt(squares[0] * squares[1] + 1e-20)
    level = (first + second) / 2
    down, right = (np.asarray(slope) for slope in np.gradient(level))
    step = second - first
    a, b, c = mean(down**2), mean(down * right), mean(right**2)
    e, f = mean(down * step), mean(right * step)
    lift = 0.02 * (a + c) + 1e-12
    det = (a + lift) * (c + lift) - b**2
    slip = np.hypot(((c + lift) * e - b * f) / det, ((a + lift) * f - b * e) / det)
    return np.where(alike < _UNLIKE, np.inf, slip)


#: Two windows that correlate less than this do not show the same.
_UNLIKE = 0.3
