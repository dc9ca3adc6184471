"""A depth map and its truth, and how a metric of them is stated."""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.ndimage import correlate, maximum_filter, minimum_filter

from ..ground.types import Bools, Doubles
from .checks import as_mask, require_same_shape
from .record import Stated


class DepthPair:
    """A depth map and the truth, with the maps their metrics share, each computed once.

    Parameters
    ----------
    depth_mm, truth_mm : array_like
        Shape (H, W), mm; NaN for no answer and for no truth.
    """

    def __init__(self, depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike) -> None:
        self.depth = np.asarray(depth_mm, dtype=np.float64)
        self.truth = np.asarray(truth_mm, dtype=np.float64)
        if self.depth.ndim != 2:
            raise ValueError(f"depth_mm must have shape (H, W), got {self.depth.shape}")
        require_same_shape(depth_mm=self.depth, truth_mm=self.truth)
        if np.isinf(self.depth).any():
            raise ValueError("depth_mm must not be infinite; NaN means no answer")
        self.known = np.isfinite(self.truth)
        self.answered = self.known & np.isfinite(self.depth)
        self.error = np.where(self.known, self.depth - self.truth, np.nan)
        self._sides: dict[int, tuple[Doubles, Doubles]] = {}

    def errors(self, mask: Bools) -> Doubles:
        """Errors of the answered pixels of a mask, in a row."""
        return self.error[mask & self.answered]

    @cached_property
    def orders(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """Place of each pixel's depth, and of its truth, among all values: equal ones are equal."""
        places = [np.zeros(self.depth.shape, dtype=np.int64) for _ in range(2)]
        for place, values in zip(places, (self.depth, self.truth), strict=True):
            place[self.answered] = np.unique(values[self.answered], return_inverse=True)[1]
        return places[0], places[1]

    @cached_property
    def curvature(self) -> Doubles:
        """Frobenius norm of the Hessian of the error, NaN where a neighbour is missing."""
        return _hessian_norm(self.error)

    def sides(self, reach_px: int) -> tuple[Doubles, Doubles]:
        """Nearest and farthest true depth within reach of each pixel."""
        if reach_px not in self._sides:
            size = 2 * reach_px + 1
            near = minimum_filter(np.where(self.known, self.truth, np.inf), size)
            far = maximum_filter(np.where(self.known, self.truth, -np.inf), size)
            self._sides[reach_px] = near, far
        return self._sides[reach_px]


class DepthMetric(Stated):
    """A metric of a depth map and its truth; see `metrics.depth` for what it takes."""

    def __call__(
        self,
        depth_mm: npt.ArrayLike,
        truth_mm: npt.ArrayLike,
        *,
        mask: npt.ArrayLike | None = None,
        **options: float,
    ) -> float:
        """Compute the value of a depth map over a mask; the options are the metric's own."""
        pair = DepthPair(depth_mm, truth_mm)
        return self.compute(pair, as_mask(mask, pair.depth.shape), **options)


def ranks_from_one(order: npt.NDArray[np.int64]) -> Doubles:
    """Ranks from 1, equal values sharing the mean of theirs."""
    if not order.size:
        return np.zeros(0)
    count = np.bincount(order)
    return (np.cumsum(count) - 0.5 * (count - 1))[order]


def _hessian_norm(surface: Doubles) -> Doubles:
    along_x = correlate(surface, np.array([[1.0, -2.0, 1.0]]), mode="constant", cval=np.nan)
    along_y = correlate(surface, np.array([[1.0], [-2.0], [1.0]]), mode="constant", cval=np.nan)
    twist = np.array([[1.0, 0.0, -1.0], [0.0, 0.0, 0.0], [-1.0, 0.0, 1.0]]) / 4.0
    crosswise = correlate(surface, twist, mode="constant", cval=np.nan)
    return np.sqrt(along_x**2 + along_y**2 + 2.0 * crosswise**2)
