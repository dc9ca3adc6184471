"""A depth map and its truth, and how a metric of them is stated."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

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
    confidence : array_like, optional
        Shape (H, W): higher where the method is surer; NaN where least of all.
    """

    def __init__(
        self,
        depth_mm: npt.ArrayLike,
        truth_mm: npt.ArrayLike,
        *,
        confidence: npt.ArrayLike | None = None,
    ) -> None:
        self.depth = np.asarray(depth_mm, dtype=np.float64)
        self.truth = np.asarray(truth_mm, dtype=np.float64)
        if self.depth.ndim != 2:
            raise ValueError(f"depth_mm must have shape (H, W), got {self.depth.shape}")
        require_same_shape(depth_mm=self.depth, truth_mm=self.truth)
        if np.isinf(self.depth).any():
            raise ValueError("depth_mm must not be infinite; NaN means no answer")
        self.confidence = None
        if confidence is not None:
            self.confidence = np.asarray(confidence, dtype=np.float64)
            require_same_shape(confidence=self.confidence, truth_mm=self.truth)
        self.known = np.isfinite(self.truth)
        self.answered = self.known & np.isfinite(self.depth)
        self.error = np.where(self.known, self.depth - self.truth, np.nan)
        self._sides: dict[int, tuple[Doubles, Doubles]] = {}
        self._edges: dict[tuple[float, int], DepthEdges] = {}

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

    def edges(self, step_mm: float, reach_px: int) -> DepthEdges:
        """Pixels with a neighbour behind them by more than a step, in the map and in the truth."""
        key = step_mm, reach_px
        if key not in self._edges:
            answer = np.where(self.known, self.depth, np.nan)
            found, true = _edges(answer, step_mm), _edges(self.truth, step_mm)
            near = [maximum_filter(edge, 2 * reach_px + 1) for edge in (found, true)]
            self._edges[key] = DepthEdges(
                found=found, true=true, near_found=near[0], near_true=near[1]
            )
        return self._edges[key]

    @cached_property
    def by_error(self) -> npt.NDArray[np.int64]:
        """Place of each pixel by its error, the least first; equal ones are equal."""
        return _places(np.where(self.answered, np.abs(self.error), np.inf))

    @cached_property
    def by_confidence(self) -> npt.NDArray[np.int64]:
        """Place of each pixel by confidence, the surest first; no answer last, after no confidence.

        All are equal where there is no confidence.
        """
        sure = np.zeros(self.depth.shape) if self.confidence is None else self.confidence
        place = _places(np.where(np.isnan(sure), np.inf, -sure))
        return np.where(self.answered, place, place.max() + 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DepthEdges:
    """Where a depth map and the truth have edges, and what is within reach of them.

    Parameters
    ----------
    found, true : array of bool
        Edges of the map and of the truth.
    near_found, near_true : array of bool
        Pixels within reach of one.
    """

    found: Bools
    true: Bools
    near_found: Bools
    near_true: Bools


class DepthMetric(Stated):
    """A metric of a depth map and its truth; see `metrics.depth` for what it takes."""

    def __call__(
        self,
        depth_mm: npt.ArrayLike,
        truth_mm: npt.ArrayLike,
        *,
        mask: npt.ArrayLike | None = None,
        **options: Any,
    ) -> float:
        """Compute the value of a depth map over a mask; the options are the metric's own."""
        pair = DepthPair(depth_mm, truth_mm, confidence=options.pop("confidence", None))
        return self.compute(pair, as_mask(mask, pair.depth.shape), **options)


NO_DEPTH = "no depth was given here"


def depth_metric(**facts: Any) -> Callable[[Callable[..., float]], DepthMetric]:
    """Make a metric of a function of a pair and a mask; `facts` are those of its `Metric`."""
    return lambda compute: DepthMetric(compute, group="depth", **facts)


def error_metric(title: str, **facts: Any) -> Callable[[Callable[..., float]], DepthMetric]:
    """Make a metric of errors, less is better: in mm unless told."""
    usual: dict[str, Any] = {"direction": "lower", "best": 0.0, "range": (0.0, math.inf)}
    usual |= {"unit": "mm", "reference": "definition", "undefined": NO_DEPTH}
    return depth_metric(title=title, **(usual | facts))


def share_metric(title: str, **facts: Any) -> Callable[[Callable[..., float]], DepthMetric]:
    """Make a metric of a share of pixels, less is better: by depths of field unless told."""
    usual: dict[str, Any] = {"direction": "lower", "best": 0.0, "range": (0.0, 1.0)}
    usual |= {"needs": ("dof_mm",)}
    return depth_metric(title=title, **(usual | facts))


def mean_of(values: npt.NDArray) -> float:
    """Mean of values in a row; NaN for none."""
    return float(np.mean(values)) if values.size else math.nan


def require_positive(**values: float) -> None:
    """Refuse a value that is not above 0, naming it."""
    for name, value in values.items():
        if not value > 0:
            raise ValueError(f"{name} must be positive, got {value!r}")


def ranks_from_one(order: npt.NDArray[np.int64]) -> Doubles:
    """Ranks from 1, equal values sharing the mean of theirs."""
    if not order.size:
        return np.zeros(0)
    count = np.bincount(order)
    return (np.cumsum(count) - 0.5 * (count - 1))[order]


def _places(values: Doubles) -> npt.NDArray[np.int64]:
    return np.unique(values, return_inverse=True)[1].reshape(values.shape)


def _edges(surface: Doubles, step: float) -> Bools:
    edge = np.zeros(surface.shape, dtype=bool)
    for axis in (0, 1):
        rise = np.diff(surface, axis=axis)  # NaN where a neighbour has no depth: no edge
        rows, columns = rise.shape
        edge[:rows, :columns] |= rise > step
        edge[surface.shape[0] - rows :, surface.shape[1] - columns :] |= rise < -step
    return edge


def _hessian_norm(surface: Doubles) -> Doubles:
    along_x = correlate(surface, np.array([[1.0, -2.0, 1.0]]), mode="constant", cval=np.nan)
    along_y = correlate(surface, np.array([[1.0], [-2.0], [1.0]]), mode="constant", cval=np.nan)
    twist = np.array([[1.0, 0.0, -1.0], [0.0, 0.0, 0.0], [-1.0, 0.0, 1.0]]) / 4.0
    crosswise = correlate(surface, twist, mode="constant", cval=np.nan)
    return np.sqrt(along_x**2 + along_y**2 + 2.0 * crosswise**2)
