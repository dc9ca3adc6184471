"""How near a depth map is to the true depth.

Every metric takes a depth map and the truth, z in mm along the optical axis of the reference
frame, shape (rows, cols), and a boolean `mask` (rows, cols) of the pixels to score (None means
all). NaN in the truth means there is nothing to score at that pixel; NaN in the result means the
method gave no answer there, which lowers `coverage` and counts as a bad pixel, but leaves the
errors alone. A region without true depth gives NaN everywhere; one without answers gives NaN for
the errors. Options: `dof_mm`, the total depth of field of one frame, mm; `origin_mm`, the plane
that ratios of depth are counted from (`depth_ratio`); `confidence`, a map (`depth_confidence`).
`score_depth` computes all of them over many masks.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np
import numpy.typing as npt

from ..ground.types import Bools, Doubles
from . import depth_confidence, depth_edges, depth_ratio
from .checks import as_mask, mean_over
from .depth_pair import (
    DepthMetric,
    DepthPair,
    depth_metric,
    error_metric,
    mean_of,
    ranks_from_one,
    require_positive,
    share_metric,
)
from .record import chosen

BAD_MULTIPLES = (0.5, 1.0, 2.0)


@error_metric("depth RMSE")
def depth_rmse_mm(pair: DepthPair, mask: Bools) -> float:
    """Root-mean-square depth error over answered pixels, mm.

    Examples
    --------
    >>> true, found = np.zeros((4, 4)), np.full((4, 4), 0.2)
    >>> found[0, 0] = np.nan  # no answer there: left out
    >>> round(depth_rmse_mm(found, true), 3)
    0.2
    """
    return math.sqrt(mean_of(np.square(pair.errors(mask))))


@error_metric("mean depth error")
def depth_mae_mm(pair: DepthPair, mask: Bools) -> float:
    """Mean absolute depth error over answered pixels, mm."""
    return mean_of(np.abs(pair.errors(mask)))


@error_metric("median depth error")
def depth_median_mm(pair: DepthPair, mask: Bools) -> float:
    """Median absolute depth error over answered pixels, mm."""
    errors = np.abs(pair.errors(mask))
    return float(np.median(errors)) if errors.size else math.nan


@error_metric("depth bias", direction="nearest", range=(-math.inf, math.inf))
def depth_bias_mm(pair: DepthPair, mask: Bools) -> float:
    """Mean depth error over answered pixels, mm; positive means too far away.

    Examples
    --------
    >>> round(depth_bias_mm(np.full((4, 4), -0.2), np.zeros((4, 4))), 3)
    -0.2
    """
    return mean_of(pair.errors(mask))


def bad_share(multiple: float) -> DepthMetric:
    """Return the metric of pixels off by more than a multiple of the depth of field, > 0."""
    require_positive(multiple=multiple)

    @share_metric(
        f"off by > {multiple:g} depth of field",
        name=f"bad_share_{multiple:g}dof",
        reference="Scharstein & Szeliski, IJCV 47, 7 (2002)",
    )
    def share(pair: DepthPair, mask: Bools, *, dof_mm: float) -> float:
        """Share of pixels without an answer or off by more than a multiple of the depth of field.

        Notes
        -----
        The bad-pixel share of the stereo literature (Scharstein & Szeliski, IJCV 47, 7 (2002)),
        with the lens's depth of field for the threshold.
        """
        require_positive(dof_mm=dof_mm)
        good = np.abs(pair.error[mask & pair.known]) <= multiple * dof_mm  # NaN is not good
        return 1.0 - float(good.mean()) if good.size else math.nan

    return share


@depth_metric(
    title="depth coverage",
    direction="higher",
    best=1.0,
    range=(0.0, 1.0),
    reference="definition",
)
def coverage(pair: DepthPair, mask: Bools) -> float:
    """Share of the pixels with a true depth at which the method gave an answer.

    Examples
    --------
    >>> found = np.zeros((4, 4))
    >>> found[0] = np.nan
    >>> coverage(found, np.zeros((4, 4)))
    0.75
    """
    return mean_over(pair.answered, mask & pair.known)


@depth_metric(
    title="depth order kept",
    direction="higher",
    best=1.0,
    range=(-1.0, 1.0),
    reference="Spearman, Am. J. Psychol. 15, 72 (1904)",
    undefined="fewer than two depths to put in order",
)
def rank_correlation(pair: DepthPair, mask: Bools) -> float:
    """Spearman's rank correlation of answered depths with the truth, -1..1.

    It asks only for the right order, so a depth of unknown scale can be scored. NaN where the
    truth has one depth only; 0 where the result has.
    """
    use = mask & pair.answered
    ranks = [ranks_from_one(order[use]) for order in pair.orders]
    if not use.any() or np.ptp(ranks[1]) == 0.0:
        return math.nan
    if np.ptp(ranks[0]) == 0.0:
        return 0.0
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


@depth_metric(
    title="bumpiness",
    unit="mm/px^2",
    direction="lower",
    best=0.0,
    range=(0.0, math.inf),
    reference="after Honauer et al., ACCV 2016",
    undefined="no 3 x 3 neighbourhood has depth here",
)
def bumpiness_mm(pair: DepthPair, mask: Bools) -> float:
    """Mean curvature of the depth error, mm/px^2: how bumpy a surface became.

    Notes
    -----
    Frobenius norm of the Hessian of (depth - truth), after the bumpiness of Honauer et al., ACCV
    2016 (there clipped and multiplied by 100). Pixels whose 3 x 3 neighbourhood lacks a depth are
    left out. Best used on smooth surfaces.
    """
    return mean_over(pair.curvature, mask & np.isfinite(pair.curvature))


DEPTH_METRICS = (
    depth_rmse_mm,
    depth_mae_mm,
    depth_median_mm,
    depth_bias_mm,
    *(bad_share(multiple) for multiple in BAD_MULTIPLES),
    coverage,
    rank_correlation,
    bumpiness_mm,
    *depth_edges.EDGE_METRICS,
    *depth_ratio.RATIO_METRICS,
    *depth_confidence.CONFIDENCE_METRICS,
)

METRICS = tuple(metric.record for metric in DEPTH_METRICS)


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

    Raises
    ------
    ValueError
        The planes are no list of finite numbers.

    Examples
    --------
    >>> depth_from_frames([[0, 0.5, -1]], [1.0, 1.2, 1.4])
    array([[1. , 1.1, nan]])
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
    origin_mm: float,
    confidence: npt.ArrayLike | None = None,
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
    origin_mm : float
        Plane that ratios of depth are counted from, z in mm.
    confidence : array_like, optional
        Shape (H, W): higher where the method is surer. Without it the metrics of confidence are
        NaN.
    names : iterable of str, optional
        Metrics wanted; by default all.

    Raises
    ------
    ValueError
        Shapes differ, or a name or a depth of field is not what it should be.

    Examples
    --------
    >>> found = [[0.0, 0.2], [0.4, float("nan")]]
    >>> truth = [[0.0, 0.1], [0.4, 0.5]]
    >>> everywhere = {"valid": np.ones((2, 2), bool)}
    >>> scores = score_depth(
    ...     found, truth, masks=everywhere, dof_mm=0.15, origin_mm=-1.0,
    ...     names=["depth_mae_mm", "coverage"],
    ... )
    >>> {name: round(value, 4) for name, value in scores["valid"].items()}
    {'depth_mae_mm': 0.0333, 'coverage': 0.75}
    """
    wanted = chosen(DEPTH_METRICS, names)
    require_positive(dof_mm=dof_mm)
    pair = DepthPair(depth_mm, truth_mm, confidence=confidence)
    checked = {region: as_mask(mask, pair.depth.shape) for region, mask in masks.items()}
    given = {"dof_mm": dof_mm, "origin_mm": origin_mm}
    return {
        region: {
            metric.record.name: metric.compute(
                pair, mask, **{need: given[need] for need in metric.record.needs if need in given}
            )
            for metric in wanted
        }
        for region, mask in checked.items()
    }
