"""How near a depth map is to the true depth.

Depths are z in mm along the optical axis of the reference frame, (H, W). NaN in the truth means
there is nothing to score at that pixel; NaN in the result means the method gave no answer there,
which lowers `coverage` and counts as a bad pixel, but leaves the errors alone. A region without
true depth gives NaN everywhere; one without answers gives NaN for the errors.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from functools import cached_property, partial

import numpy as np
import numpy.typing as npt
from scipy.ndimage import correlate, maximum_filter, minimum_filter

from ..ground.types import Bools, Doubles
from .checks import as_mask, mean_over, require_same_shape
from .record import Metric

EDGE_REACH_PX = 5
BAD_MULTIPLES = (0.5, 1.0, 2.0)


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


def depth_rmse_mm(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Root-mean-square depth error over answered pixels, mm."""
    return _score(_rmse_mm, depth_mm, truth_mm, mask)


def depth_mae_mm(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Mean absolute depth error over answered pixels, mm."""
    return _score(_mae_mm, depth_mm, truth_mm, mask)


def depth_median_mm(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Median absolute depth error over answered pixels, mm."""
    return _score(_median_mm, depth_mm, truth_mm, mask)


def depth_bias_mm(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Mean depth error over answered pixels, mm; positive means too far away."""
    return _score(_bias_mm, depth_mm, truth_mm, mask)


def bad_pixel_share(
    depth_mm: npt.ArrayLike,
    truth_mm: npt.ArrayLike,
    *,
    dof_mm: float,
    multiple: float = 1.0,
    mask: npt.ArrayLike | None = None,
) -> float:
    """Share of pixels without an answer or off by more than a multiple of the depth of field.

    Parameters
    ----------
    depth_mm, truth_mm : array_like
        Shape (H, W), mm.
    dof_mm : float
        Total depth of field of one frame, mm.
    multiple : float
        Error allowed, in depths of field.
    mask : array_like, optional
        Pixels to score.

    Notes
    -----
    The bad-pixel share of the stereo literature (Scharstein & Szeliski, IJCV 47, 7 (2002)), with
    the lens's depth of field for the threshold.
    """
    score = partial(_bad_share, dof_mm=dof_mm, multiple=multiple)
    return _score(score, depth_mm, truth_mm, mask)


def coverage(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Share of the pixels with a true depth at which the method gave an answer."""
    return _score(_coverage, depth_mm, truth_mm, mask)


def rank_correlation(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Spearman's rank correlation of answered depths with the truth, -1..1.

    It asks only for the right order, so a depth of unknown scale can be scored. NaN where the
    truth has one depth only; 0 where the result has.
    """
    return _score(_rank_correlation, depth_mm, truth_mm, mask)


def bumpiness_mm(
    depth_mm: npt.ArrayLike, truth_mm: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """Mean curvature of the depth error, mm/px^2: how bumpy a surface became.

    Notes
    -----
    Frobenius norm of the Hessian of (depth - truth), after the bumpiness of Honauer et al., ACCV
    2016 (there clipped and multiplied by 100). Pixels whose 3 x 3 neighbourhood lacks a depth are
    left out. Best used on smooth surfaces.
    """
    return _score(_bumpiness_mm, depth_mm, truth_mm, mask)


def edge_fattening(
    depth_mm: npt.ArrayLike,
    truth_mm: npt.ArrayLike,
    *,
    dof_mm: float,
    reach_px: int = EDGE_REACH_PX,
    mask: npt.ArrayLike | None = None,
) -> float:
    """Share of far-side pixels next to a depth step that were given the near side's depth.

    A step is a difference of true depth of more than two depths of field within `reach_px`; the
    nearest and farthest depth there are its two sides, and half-way between them divides. NaN
    where there is no step. After the fattening of Honauer et al., ACCV 2016.
    """
    score = partial(_wrong_side, dof_mm=dof_mm, reach_px=reach_px, far_side=True)
    return _score(score, depth_mm, truth_mm, mask)


def edge_thinning(
    depth_mm: npt.ArrayLike,
    truth_mm: npt.ArrayLike,
    *,
    dof_mm: float,
    reach_px: int = EDGE_REACH_PX,
    mask: npt.ArrayLike | None = None,
) -> float:
    """Share of near-side pixels next to a depth step that were given the far side's depth.

    The counterpart of `edge_fattening`.
    """
    score = partial(_wrong_side, dof_mm=dof_mm, reach_px=reach_px, far_side=False)
    return _score(score, depth_mm, truth_mm, mask)


def depth_from_frames(frame_index: npt.ArrayLike, focus_mm: npt.ArrayLike) -> Doubles:
    """Depth in mm of a depth map given as frame index, through the true planes of focus.

    Parameters
    ----------
    frame_index : array_like
        Shape (H, W). Fractions lie on the straight line between neighbouring frames; an index
        outside the stack, negative or NaN means no answer.
    focus_mm : array_like
        Shape (frames,): z of the plane of focus of each frame, in any order, mm.

    Returns
    -------
    array of float64
        Shape (H, W), mm; NaN for no answer.
    """
    planes = np.asarray(focus_mm, dtype=np.float64)
    if planes.ndim != 1 or planes.size == 0 or not np.isfinite(planes).all():
        raise ValueError(f"focus_mm must be a finite list of planes, got shape {planes.shape}")
    index = np.asarray(frame_index, dtype=np.float64)
    depth = np.interp(index, np.arange(planes.size), planes)
    return np.where((index >= 0) & (index <= planes.size - 1), depth, np.nan)


def score_depth(
    depth_mm: npt.ArrayLike,
    truth_mm: npt.ArrayLike,
    *,
    masks: Mapping[str, npt.ArrayLike],
    dof_mm: float,
    names: Iterable[str] | None = None,
) -> dict[str, dict[str, float]]:
    """All depth metrics over all regions: ``scores[region][metric]``.

    Parameters
    ----------
    depth_mm, truth_mm : array_like
        Shape (H, W), mm; NaN for no answer and for no truth.
    masks : mapping of str to array_like
        Region name to boolean mask (H, W).
    dof_mm : float
        Total depth of field of one frame, mm.
    names : iterable of str, optional
        Metrics wanted; by default all.
    """
    wanted = list(_SCORES) if names is None else list(names)
    unknown = [name for name in wanted if name not in _SCORES]
    if unknown:
        raise ValueError(f"names must be among {list(_SCORES)}, got {unknown}")
    _require_positive(dof_mm=dof_mm)
    pair = DepthPair(depth_mm, truth_mm)
    checked = {region: as_mask(mask, pair.depth.shape) for region, mask in masks.items()}
    needs = {metric.name: metric.needs for metric in METRICS}
    options = {name: {"dof_mm": dof_mm} if needs[name] else {} for name in wanted}
    return {
        region: {name: _SCORES[name](pair, mask, **options[name]) for name in wanted}
        for region, mask in checked.items()
    }


def _score(
    score: Callable[[DepthPair, Bools], float],
    depth_mm: npt.ArrayLike,
    truth_mm: npt.ArrayLike,
    mask: npt.ArrayLike | None,
) -> float:
    pair = DepthPair(depth_mm, truth_mm)
    return score(pair, as_mask(mask, pair.depth.shape))


def _rmse_mm(pair: DepthPair, mask: Bools) -> float:
    return math.sqrt(_mean(np.square(pair.errors(mask))))


def _mae_mm(pair: DepthPair, mask: Bools) -> float:
    return _mean(np.abs(pair.errors(mask)))


def _median_mm(pair: DepthPair, mask: Bools) -> float:
    errors = np.abs(pair.errors(mask))
    return float(np.median(errors)) if errors.size else math.nan


def _bias_mm(pair: DepthPair, mask: Bools) -> float:
    return _mean(pair.errors(mask))


def _bad_share(pair: DepthPair, mask: Bools, *, dof_mm: float, multiple: float) -> float:
    _require_positive(dof_mm=dof_mm, multiple=multiple)
    good = np.abs(pair.error[mask & pair.known]) <= multiple * dof_mm  # NaN is not good
    return 1.0 - float(good.mean()) if good.size else math.nan


def _coverage(pair: DepthPair, mask: Bools) -> float:
    return mean_over(pair.answered, mask & pair.known)


def _rank_correlation(pair: DepthPair, mask: Bools) -> float:
    use = mask & pair.answered
    ranks = [_ranks(order[use]) for order in pair.orders]
    if not use.any() or np.ptp(ranks[1]) == 0.0:
        return math.nan
    if np.ptp(ranks[0]) == 0.0:
        return 0.0
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


def _bumpiness_mm(pair: DepthPair, mask: Bools) -> float:
    return mean_over(pair.curvature, mask & np.isfinite(pair.curvature))


def _wrong_side(
    pair: DepthPair, mask: Bools, *, dof_mm: float, reach_px: int = EDGE_REACH_PX, far_side: bool
) -> float:
    _require_positive(dof_mm=dof_mm, reach_px=reach_px)
    near, far = pair.sides(reach_px)
    use = mask & pair.answered
    use[use] = (far[use] - near[use]) > 2.0 * dof_mm
    middle = 0.5 * (near[use] + far[use])
    side = (pair.truth[use] > middle) == far_side
    return _mean((pair.depth[use] > middle)[side] != far_side)


def _mean(values: npt.NDArray) -> float:
    return float(np.mean(values)) if values.size else math.nan


def _ranks(order: npt.NDArray[np.int64]) -> Doubles:
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


def _require_positive(**values: float) -> None:
    for name, value in values.items():
        if not value > 0:
            raise ValueError(f"{name} must be positive, got {value!r}")


def _error_metric(name: str, title: str, function: object, reference: str = "definition") -> Metric:
    return Metric(
        name=name,
        title=title,
        group="depth",
        unit="mm",
        direction="lower",
        best=0.0,
        range=(0.0, math.inf),
        function=function,  # type: ignore[arg-type]
        reference=reference,
        undefined="no depth was given here",
    )


def _share_metric(
    name: str, title: str, function: object, reference: str, undefined: str = ""
) -> Metric:
    return Metric(
        name=name,
        title=title,
        group="depth",
        direction="lower",
        best=0.0,
        range=(0.0, 1.0),
        function=function,  # type: ignore[arg-type]
        needs=("dof_mm",),
        reference=reference,
        undefined=undefined,
    )


# What `score_depth` computes, by metric name.
_SCORES: dict[str, Callable[..., float]] = {
    "depth_rmse_mm": _rmse_mm,
    "depth_mae_mm": _mae_mm,
    "depth_median_mm": _median_mm,
    "depth_bias_mm": _bias_mm,
    **{f"bad_share_{each:g}dof": partial(_bad_share, multiple=each) for each in BAD_MULTIPLES},
    "coverage": _coverage,
    "rank_correlation": _rank_correlation,
    "bumpiness_mm": _bumpiness_mm,
    "edge_fattening": partial(_wrong_side, far_side=True),
    "edge_thinning": partial(_wrong_side, far_side=False),
}

METRICS = (
    _error_metric("depth_rmse_mm", "depth RMSE", depth_rmse_mm),
    _error_metric("depth_mae_mm", "mean depth error", depth_mae_mm),
    _error_metric("depth_median_mm", "median depth error", depth_median_mm),
    Metric(
        name="depth_bias_mm",
        title="depth bias",
        group="depth",
        unit="mm",
        direction="nearest",
        best=0.0,
        range=(-math.inf, math.inf),
        function=depth_bias_mm,
        reference="definition",
        undefined="no depth was given here",
    ),
    *(
        _share_metric(
            f"bad_share_{multiple:g}dof",
            f"off by > {multiple:g} depth of field",
            partial(bad_pixel_share, multiple=multiple),
            "Scharstein & Szeliski, IJCV 47, 7 (2002)",
        )
        for multiple in BAD_MULTIPLES
    ),
    Metric(
        name="coverage",
        title="depth coverage",
        group="depth",
        direction="higher",
        best=1.0,
        range=(0.0, 1.0),
        function=coverage,
        reference="definition",
    ),
    Metric(
        name="rank_correlation",
        title="depth order kept",
        group="depth",
        direction="higher",
        best=1.0,
        range=(-1.0, 1.0),
        function=rank_correlation,
        reference="Spearman, Am. J. Psychol. 15, 72 (1904)",
        undefined="fewer than two depths to put in order",
    ),
    Metric(
        name="bumpiness_mm",
        title="bumpiness",
        group="depth",
        unit="mm/px^2",
        direction="lower",
        best=0.0,
        range=(0.0, math.inf),
        function=bumpiness_mm,
        reference="after Honauer et al., ACCV 2016",
        undefined="no 3 x 3 neighbourhood has depth here",
    ),
    _share_metric(
        "edge_fattening",
        "edges fattened",
        edge_fattening,
        "after Honauer et al., ACCV 2016",
        "no depth step here",
    ),
    _share_metric(
        "edge_thinning",
        "edges thinned",
        edge_thinning,
        "after Honauer et al., ACCV 2016",
        "no depth step here",
    ),
)
