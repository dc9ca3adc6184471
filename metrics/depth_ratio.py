"""Depth maps by ratios, and up to a scale: as the literature of monocular depth scores them.

Ratios of depth ask where depth is counted from. From the lens they would say nothing at close
range: a subject of 4 mm at 150 mm has ratios within 1.03 whatever is answered. So depth is counted
from `origin_mm`, best a plane as far before the subject's nearest point as the subject is deep:
depths then go from one to two of its own depth, and an error of a tenth of it is a ratio of 1.05
to 1.1. Points of the truth at or before that plane have no ratio and are not scored.
"""

from __future__ import annotations

import math

import numpy as np

from ..ground.types import Bools, Doubles
from .depth_pair import (
    DepthMetric,
    DepthPair,
    depth_metric,
    error_metric,
    mean_of,
    require_positive,
)

DELTAS = (1.05, 1.25)


def ratio_origin_mm(near_mm: float, far_mm: float) -> float:
    """Return the plane that ratios are counted from, for a subject from near to far: z in mm.

    It lies as far before the subject as the subject is deep.

    Parameters
    ----------
    near_mm, far_mm : float
        z of its nearest and farthest points, mm.

    Raises
    ------
    ValueError
        ``far_mm`` is not behind ``near_mm``.

    Examples
    --------
    >>> ratio_origin_mm(-1.0, 2.0)
    -4.0
    """
    if not far_mm > near_mm:
        raise ValueError(f"far_mm must be > near_mm, got {near_mm!r} .. {far_mm!r}")
    return near_mm - (far_mm - near_mm)


@error_metric(
    "relative depth error",
    unit="",
    needs=("origin_mm",),
    reference="AbsRel, Eigen, Puhrsch & Fergus, NeurIPS 2014",
)
def depth_abs_rel(pair: DepthPair, mask: Bools, *, origin_mm: float) -> float:
    """Mean of |depth - truth| over the true depth from the origin, over answered pixels."""
    use = mask & pair.answered & (pair.truth > origin_mm)
    return mean_of(np.abs(pair.error[use]) / (pair.truth[use] - origin_mm))


def delta_share(threshold: float) -> DepthMetric:
    """Return the metric of pixels whose ratio to the true depth is below a threshold, > 1."""
    require_positive(threshold_above_one=threshold - 1.0)

    @depth_metric(
        title=f"ratio < {threshold:g}",
        name=f"depth_delta_{threshold:g}",
        direction="higher",
        best=1.0,
        range=(0.0, 1.0),
        needs=("origin_mm",),
        reference="Ladicky, Shi & Pollefeys, CVPR 2014; Eigen, Puhrsch & Fergus, NeurIPS 2014",
    )
    def share(pair: DepthPair, mask: Bools, *, origin_mm: float) -> float:
        """Share of pixels with max(depth / truth, truth / depth) below a threshold.

        Depths count from the origin. A pixel without an answer, or with one at or before the
        origin, is not below it.
        """
        use = mask & pair.known & (pair.truth > origin_mm)
        answer, truth = pair.depth[use] - origin_mm, pair.truth[use] - origin_mm
        with np.errstate(divide="ignore"):
            ratio = np.maximum(answer / truth, truth / answer)
        return mean_of((answer > 0) & (ratio < threshold))  # NaN is not below

    return share


@error_metric(
    "depth error but for scale",
    unit="",
    needs=("origin_mm",),
    reference="scale-invariant error (lambda = 1), Eigen, Puhrsch & Fergus, NeurIPS 2014",
)
def depth_scale_free(pair: DepthPair, mask: Bools, *, origin_mm: float) -> float:
    """Take the standard deviation of ln(depth / truth), depths counted from the origin.

    A map that is off by a factor from the origin scores 0. Answers at or before the origin have no
    logarithm and are left out.
    """
    use = mask & pair.answered & (pair.truth > origin_mm)
    use[use] = pair.depth[use] > origin_mm
    logs = np.log((pair.depth[use] - origin_mm) / (pair.truth[use] - origin_mm))
    return float(np.std(logs)) if logs.size else math.nan


@error_metric(
    "depth error but for scale and shift",
    reference="affine-invariant error by least squares, Ranftl et al., PAMI 44, 1623 (2022)",
)
def depth_affine_free_mm(pair: DepthPair, mask: Bools) -> float:
    """RMS error after the best scale and shift of the answers, mm.

    The scale is at least 0: a map with near and far exchanged is worth no more than a level one.
    """
    use = mask & pair.answered
    answer, truth = _about_mean(pair.depth[use]), _about_mean(pair.truth[use])
    if not answer.size:
        return math.nan
    power = float(answer @ answer)
    scale = max(0.0, float(answer @ truth) / power) if power > 0 else 0.0
    return math.sqrt(float(np.mean(np.square(scale * answer - truth))))


def _about_mean(values: Doubles) -> Doubles:
    return values - values.mean() if values.size else values


RATIO_METRICS = (
    depth_abs_rel,
    *(delta_share(threshold) for threshold in DELTAS),
    depth_scale_free,
    depth_affine_free_mm,
)
