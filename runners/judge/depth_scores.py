"""Scores of a result's depth: in millimetres, by planes of focus that are nominal or true."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ... import metrics
from ...ground.types import Bools, Doubles, Floats
from ...simulator.optics import depth_of_field_mm
from ...simulator.shooting.any_shoot import AnyShoot
from ...simulator.shooting.shoot import BLUR_CRITERION_UM
from ...simulator.shooting.truth import Truth
from ..contract import Result, depth_to_mm
from .true_stages import focus_planes_mm

#: Where the depth of a row has its millimetres from: the scale of a stepped pass, which the method
#: was told; the true planes, where nobody could know them; the method itself.
NOMINAL, TRUE, OWN = "nominal", "true", "method"


def planes_mm(shoot: AnyShoot, reference: int) -> tuple[Doubles, str]:
    """Return the plane of focus of each frame that a depth in frames goes through, z in mm.

    Returns
    -------
    array (frames,) of float64
        As the scale of a stepped pass has them, with the errors that the photographer does not
        see; where there is no scale, as they truly were in the view of the reference.
    str
        "nominal" or "true".
    """
    nominal = shoot.nominal_focus_mm
    if nominal is not None:
        return np.array(nominal), NOMINAL
    return focus_planes_mm(shoot, reference), TRUE


def ratio_origin_mm(shoot: AnyShoot) -> float:
    """Return the plane that ratios of depth count from, z in mm; see `metrics.depth_ratio`."""
    return metrics.ratio_origin_mm(*shoot.scene.depth_mm)


def depth_scores(
    result: Result, truth: Truth, shoot: AnyShoot, *, masks: Mapping[str, Bools]
) -> tuple[Floats | None, dict[str, Any]]:
    """Score a result's depth, in mm, and return it with the columns of its row.

    Parameters
    ----------
    result : Result
    truth : Truth
        In the view of the result.
    shoot : AnyShoot
    masks : mapping of str to array (rows, cols) of bool
        Regions to score.
    """
    planes, source = planes_mm(shoot, truth.reference)
    depth_mm = depth_to_mm(result, planes)
    given = np.full(truth.depth_mm.shape, np.nan) if depth_mm is None else depth_mm
    scores = metrics.score_depth(
        given,
        truth.depth_mm,
        masks=masks,
        dof_mm=depth_of_field_mm(shoot.rig, blur_um=BLUR_CRITERION_UM).total_mm,
        origin_mm=ratio_origin_mm(shoot),
        confidence=result.confidence,
    )
    if depth_mm is None:
        source = ""
    elif result.depth_unit == "mm":
        source = OWN
    columns = {"depth.planes": source, "depth.origin_mm": ratio_origin_mm(shoot)}
    return depth_mm, columns | metrics.wide_row(scores, prefix="depth.")
