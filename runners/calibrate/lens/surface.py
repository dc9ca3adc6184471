"""Where over the field a flat subject comes into focus: slope and curvature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from ....ground.types import Doubles
from ..estimate import LEVEL, Estimate
from .fit import LensFit
from .shots import LensCalibrationError
from .through_focus import ThroughFocus

#: What curvatures of rendered stacks were off by beyond their scatter, as a share.
_FLOOR = 0.01
_FEWEST = 6


@dataclass(frozen=True, kw_only=True, eq=False)
class FieldOfFocus:
    """The planes of focus in which the parts of a flat subject are sharp.

    Parameters
    ----------
    places_mm : array (blocks, 2)
        On the subject, right and down from the middle of the picture.
    focus_mm : array (blocks,)
        Plane of focus in which each is sharp, from the first frame's.
    smooth_mm : array (blocks,)
        The same by slope and curvature.
    curvature_per_mm : Estimate
        As in `simulator.rig.Lens`.
    slope : two Estimates
        Of the subject: how much farther it gets to the right, and down.
    rough_mm : float
        How far parts are from the smooth surface, rms.
    across_block_mm : float
        How much the depth changes over one of the parts.
    """

    places_mm: Doubles
    focus_mm: Doubles
    smooth_mm: Doubles
    curvature_per_mm: Estimate
    slope: tuple[Estimate, Estimate]
    rough_mm: float
    across_block_mm: float


def surface_of(
    seen: ThroughFocus,
    fit: LensFit,
    *,
    step_mm: float,
    pitch_on_subject_mm: float,
    size_error: float,
) -> FieldOfFocus:
    """Fit slope and curvature to the planes of focus of the blocks.

    Where the field is in focus farther by c r^2 / 2, the subject is sharp as much earlier.

    Parameters
    ----------
    seen : ThroughFocus
    fit : LensFit
    step_mm, pitch_on_subject_mm : float
    size_error : float
        Standard deviation of the logarithm of step over pitch squared, to which a curvature is in
        proportion.

    Raises
    ------
    LensCalibrationError
        Too few blocks are left to tell a curve from a slope.
    """
    kept = fit.used.any(axis=1)
    places = seen.centres_px[kept] * pitch_on_subject_mm
    focus = fit.numbers.focus[kept] * step_mm
    freedom = len(places) - 4
    if len(places) < _FEWEST:
        raise LensCalibrationError(
            f"only {len(places)} parts of the picture can be measured, {_FEWEST} are needed to "
            "tell a curved field from a slope"
        )
    design = np.column_stack([np.ones(len(places)), places, -np.square(places).sum(axis=1) / 2])
    found, _, _, _ = np.linalg.lstsq(design, focus, rcond=None)
    smooth = design @ found
    rough = float(np.sqrt(np.square(focus - smooth).sum() / freedom))
    errors = rough * np.sqrt(np.diag(np.linalg.inv(design.T @ design)))
    far = float(stdtrit(freedom, (1 + LEVEL) / 2))

    def told(number: int) -> Estimate:
        value = float(found[number])
        half = far * float(np.hypot(errors[number], np.hypot(_FLOOR, size_error) * value))
        return Estimate(value=value, low=value - half, high=value + half)

    return FieldOfFocus(
        places_mm=places,
        focus_mm=focus,
        smooth_mm=smooth,
        curvature_per_mm=told(3),
        slope=(told(1), told(2)),
        rough_mm=rough,
        across_block_mm=float(np.hypot(*found[1:3])) * seen.block_px * pitch_on_subject_mm,
    )
