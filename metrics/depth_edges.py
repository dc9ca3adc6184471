"""Depth maps at steps of depth: edges fattened, thinned, and found in their places."""

from __future__ import annotations

import math

import numpy as np

from ..ground.types import Bools
from .depth_pair import DepthPair, mean_of, require_positive, share_metric

EDGE_REACH_PX = 5
BOUNDARY_REACH_PX = 1
#: Depths of field that make a step.
STEP_MULTIPLE = 2.0
_NO_STEP = "no depth step here"


@share_metric("edges fattened", reference="after Honauer et al., ACCV 2016", undefined=_NO_STEP)
def edge_fattening(
    pair: DepthPair, mask: Bools, *, dof_mm: float, reach_px: int = EDGE_REACH_PX
) -> float:
    """Share of far-side pixels next to a depth step that were given the near side's depth.

    A step is a difference of true depth of more than two depths of field within `reach_px`; the
    nearest and farthest depth there are its two sides, and half-way between them divides. NaN
    where there is no step. After the fattening of Honauer et al., ACCV 2016.
    """
    return _wrong_side(pair, mask, dof_mm=dof_mm, reach_px=reach_px, far_side=True)


@share_metric("edges thinned", reference="after Honauer et al., ACCV 2016", undefined=_NO_STEP)
def edge_thinning(
    pair: DepthPair, mask: Bools, *, dof_mm: float, reach_px: int = EDGE_REACH_PX
) -> float:
    """Share of near-side pixels next to a depth step that were given the far side's depth.

    The counterpart of `edge_fattening`.
    """
    return _wrong_side(pair, mask, dof_mm=dof_mm, reach_px=reach_px, far_side=False)


def _wrong_side(
    pair: DepthPair, mask: Bools, *, dof_mm: float, reach_px: int, far_side: bool
) -> float:
    require_positive(dof_mm=dof_mm, reach_px=reach_px)
    near, far = pair.sides(reach_px)
    use = mask & pair.answered
    use[use] = (far[use] - near[use]) > STEP_MULTIPLE * dof_mm
    middle = 0.5 * (near[use] + far[use])
    side = (pair.truth[use] > middle) == far_side
    return mean_of((pair.depth[use] > middle)[side] != far_side)


@share_metric(
    "boundary F1",
    direction="higher",
    best=1.0,
    reference="Martin, Fowlkes & Malik, PAMI 26, 530 (2004); for depth Hu et al., WACV 2019",
    undefined=_NO_STEP,
)
def boundary_f1(
    pair: DepthPair, mask: Bools, *, dof_mm: float, reach_px: int = BOUNDARY_REACH_PX
) -> float:
    """Harmonic mean of how many edges of depth are true, and how many true ones are found.

    Notes
    -----
    An edge is a pixel with a neighbour (left, right, above or below) more than two depths of field
    behind it. Precision is the share of the result's edges with a true one within `reach_px`
    (square neighbourhood), recall the share of true edges with one of the result's. 0 where the
    result has none of them. Edges outside the mask are found, but not asked for.
    """
    require_positive(dof_mm=dof_mm)
    edges = pair.edges(STEP_MULTIPLE * dof_mm, reach_px)
    if not (edges.true & mask).any():
        return math.nan
    recall = mean_of(edges.near_found[edges.true & mask])
    precision = mean_of(edges.near_true[edges.found & mask])
    if not recall + np.nan_to_num(precision) > 0:
        return 0.0
    return 2.0 * precision * recall / (precision + recall)


EDGE_METRICS = (edge_fattening, edge_thinning, boundary_f1)
