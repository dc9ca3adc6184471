"""Depth from focus by the ring difference filter, and the picture taken by that depth."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy import ndimage

from ....ground.types import Floats
from ....metrics.focus.peak import find_peak
from ..align.aligned import AlignedFrames
from ..picture.guided import GuidedFilter
from .focus_map import blended, smoothed_position, within
from .fused import Fused

DISC = 1.0
RING = (2.0, 3.0)
RADIUS, EPSILON = 4, 1e-3
# Of the filter that carries depth to where it is not reliable.
_CARRY = {"radius": 12, "epsilon": 1e-3}
_RELIABLE = 0.5


def ring_difference(
    aligned: AlignedFrames, *, radius: int = RADIUS, epsilon: float = EPSILON
) -> Fused:
    """Find the peak of the aggregated ring difference and blend the two frames nearest to it.

    Three times over the frames: the largest response of the ring difference filter gives a first
    picture; each frame's response is smoothed along the edges of that picture, and the parabola
    through the largest value and its neighbours gives the depth; where a pixel's curve over the
    frames is too flat to be relied on, depth comes from what is reliable near it. Then pixels are
    taken. Memory is independent of the number of frames.

    Parameters
    ----------
    radius, epsilon : int, float
        Of the guided filter that aggregates the responses, px and luma squared.

    References
    ----------
    J. Surh, H.-G. Jeon, Y. Park, S. Im, H. Ha and I. S. Kweon, "Noise robust depth from focus
    using a ring difference filter", IEEE Conf. Computer Vision and Pattern Recognition (2017):
    disc less ring, aggregation, rejection and propagation of what is not reliable, from memory.
    Radii, the guided filter, how reliable is told, and a guided filter in the place of the
    propagation along a tree are choices made here.
    """
    guide = _sharpest_grey(aligned)
    aggregate = GuidedFilter(guide, radius=radius, epsilon=epsilon)
    total = np.zeros(aligned.shape, dtype=np.float32)

    def curves() -> Iterator[Floats]:
        for response in responses(aligned):
            value = np.maximum(aggregate(response), 0)
            np.add(total, value, out=total)
            yield value

    peak = find_peak(curves(), kind="parabola")
    first = np.clip(peak.position, 0, len(aligned) - 1).astype(np.float32)
    sure = reliability(np.asarray(peak.height, dtype=np.float32), total, len(aligned))
    trust = np.asarray(peak.height * sure**4, dtype=np.float32)
    carried = smoothed_position(first, trust, guide, int(_CARRY["radius"]), _CARRY["epsilon"])
    position = np.where(sure > _RELIABLE, first, carried)
    return Fused(blended(aligned, position), position)


def reliability(height: Floats, total: Floats, count: int) -> Floats:
    """Guess how far each depth is to be relied on: 0 where a curve is flat, 1 for a lone peak.

    Parameters
    ----------
    height, total : array (rows, cols) of float32
        Largest value of the curve over the frames, and its sum.
    count : int
        Frames.
    """
    if count == 1:
        return np.ones_like(height)
    flat = total / np.maximum(height, np.float32(1e-12)) / count
    return np.asarray(np.clip((1 - flat) / (1 - 1 / count), 0, 1), dtype=np.float32)


def ring_kernel(disc: float = DISC, ring: tuple[float, float] = RING) -> Floats:
    """Return the mean over a disc less the mean over a ring, as a kernel.

    Parameters
    ----------
    disc : float
        Radius, px.
    ring : tuple of float
        Inner and outer radius, px; both belong to the ring.
    """
    reach = int(ring[1])
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    distance = np.hypot(y, x)
    inner = distance <= disc
    outer = (distance >= ring[0]) & (distance <= ring[1])
    return np.asarray(inner / inner.sum() - outer / outer.sum(), dtype=np.float32)


def responses(aligned: AlignedFrames) -> Iterator[Floats]:
    """Yield the absolute response of each frame to the filter, 0 where the frame shows nothing."""
    kernel = ring_kernel()
    reach = len(kernel) // 2
    for frame in aligned.greys():
        value = np.abs(ndimage.correlate(frame.image, kernel, mode="nearest"))
        yield value * within(frame.covered, reach)


def _sharpest_grey(aligned: AlignedFrames) -> Floats:
    best, guide = np.full(aligned.shape, -1, np.float32), np.zeros(aligned.shape, np.float32)
    for frame, response in zip(aligned.greys(), responses(aligned), strict=True):
        better = response > best
        best[better], guide[better] = response[better], frame.image[better]
    return guide
