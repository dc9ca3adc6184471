"""Depth maps with a confidence: whether the method is sure where it is right.

A confidence is a map, shape (rows, cols), higher where the method is surer, in any unit: only its
order counts. Pixels of equal confidence have no order: what is expected of a random one counts.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from ..ground.types import Bools, Doubles
from .depth_pair import DepthPair, error_metric, require_positive, share_metric

_UNSURE = "no depth was given here, or no confidence"


@error_metric(
    "error that confidence leaves",
    needs=("confidence",),
    reference="AUSE, Ilg et al., ECCV 2018; in units of depth, Poggi et al., CVPR 2020",
    undefined=_UNSURE,
)
def depth_ause_mm(pair: DepthPair, mask: Bools) -> float:
    """Area between two curves of the mean error of the surest pixels against their share, mm.

    One takes pixels in the order of confidence, the other in the order of their true error: the
    best that any confidence could do, which has the area 0. Over answered pixels; one without a
    confidence (NaN) is the least sure.
    """
    use = mask & pair.answered
    if pair.confidence is None or not use.any():
        return math.nan
    errors = np.abs(pair.error[use])
    areas = [_running_mean(errors, order[use]) for order in (pair.by_confidence, pair.by_error)]
    return float(np.mean(areas[0] - areas[1]))


@share_metric(
    "bad pixels against coverage",
    needs=("confidence", "dof_mm"),
    reference="area under error against density, Hu & Mordohai, PAMI 34, 2121 (2012)",
    undefined=_UNSURE,
)
def bad_share_auc(pair: DepthPair, mask: Bools, *, dof_mm: float) -> float:
    """Share of pixels off by more than a depth of field, among the surest, mean over coverages.

    Over all pixels with a true depth; those without an answer are bad, and the least sure. With a
    share e of bad pixels the best order gives e + (1 - e) ln(1 - e), no order at all e.
    """
    require_positive(dof_mm=dof_mm)
    use = mask & pair.known
    if pair.confidence is None or not (use & pair.answered).any():
        return math.nan
    bad = ~(np.abs(pair.error[use]) <= dof_mm)  # NaN is bad
    return float(np.mean(_running_mean(bad.astype(np.float64), pair.by_confidence[use])))


def _running_mean(values: Doubles, place: npt.NDArray[np.int64]) -> Doubles:
    """Mean of the first 1, 2, ... n values by place; those of one place as expected of chance."""
    count = np.bincount(place)
    sums = np.bincount(place, weights=values)
    expected = np.repeat(sums / np.maximum(count, 1), count)
    return np.cumsum(expected) / np.arange(1, values.size + 1)


CONFIDENCE_METRICS = (depth_ause_mm, bad_share_auc)
