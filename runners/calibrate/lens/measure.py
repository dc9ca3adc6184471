"""A lens measured from a stepped stack: in millimetres, with intervals, as a rig."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from ....ground.types import Doubles
from ....simulator.rig import Lens, Rig, Sensor
from ..estimate import Estimate, by_normal
from .agreement import GREEN, LensNumbers
from .fit import LensFit, fit_lens
from .shots import LensCalibrationError, SteppedShots
from .spectra import spectra_of
from .surface import FieldOfFocus, surface_of
from .through_focus import ThroughFocus, through_focus

#: What fits of rendered stacks were off by beyond what their blocks and bands tell, as a share
#: (standard deviations): f-number in pixels as coarse as N lambda, blur per step, distance. Coarser
#: pixels hide diffraction, and what is told of it errs as much more.
_F_NUMBER_FLOOR, _BLUR_FLOOR, _DISTANCE_FLOOR = 0.014, 0.004, 0.004
#: What no stepped stack tells of a lens.
_KEPT = (
    "vignetting_stops",
    "blades",
    "blade_roundness",
    "blade_angle_deg",
    "cutoff_radius_mm",
    "cutoff_shift",
)
#: With a larger standard deviation of its logarithm an f-number is no measurement.
_VAGUE = 0.1
#: How well step and magnification are thought to be known, as a share, where both are given.
_KNOWN = 0.005
#: Parts of the picture may come into focus this far from a smooth surface, as a share of the
#: depth of field of a quarter wave (rms), and the curves be this far from any lens's.
_ROUGH, _MISFIT = 0.15, 0.1
_WAVELENGTH_UM = 0.55


@dataclass(frozen=True, kw_only=True, eq=False)
class LensCalibration:
    """What a stepped stack of something flat tells of a lens.

    Parameters
    ----------
    rig : Rig
        That every command takes.
    measured : mapping of str to Estimate
        By names that tell the unit.
    known : mapping of str to str
        What the measurement rests on, and where that comes from.
    not_measured : mapping of str to str
        Why not, by the name of the key.
    shots : SteppedShots
    seen : ThroughFocus
    fit : LensFit
    surface : FieldOfFocus
    """

    rig: Rig
    measured: Mapping[str, Estimate]
    known: Mapping[str, str]
    not_measured: Mapping[str, str]
    shots: SteppedShots
    seen: ThroughFocus
    fit: LensFit
    surface: FieldOfFocus


def calibrate_lens(shots: SteppedShots, *, start: Rig | None = None) -> LensCalibration:
    """Measure a lens from a stepped stack of something flat and detailed.

    Parameters
    ----------
    shots : SteppedShots
    start : Rig or None
        Its sensor and wavelengths, and what a stack does not tell; None takes the frames for the
        whole sensor, and the wavelengths that a rig has by default.

    Raises
    ------
    LensCalibrationError
        The stack does not show it: too little detail, not flat, not through the focus, too long
        steps, or pixels too coarse.

    Notes
    -----
    Blur grows by b = m^2 t / (N p) pixels a step t, N the working f-number, m the magnification, p
    the pitch. What diffraction does to the curves tells N alone, for known p and wavelengths. So
    m^2 t = b N p: of step and magnification one must be known for the other. The size of the
    picture grows by t / d a step, which tells the distance d of the entrance pupil.
    """
    wavelengths = (start or _plain_rig(shots)).wavelengths_um
    seen = through_focus(spectra_of(shots), shots)
    fit = fit_lens(seen, wavelengths_um=wavelengths, pitch_um=shots.pitch_um)
    _refuse_misfit(seen, fit)
    log_f, log_blur, spread = _with_what_is_known(shots, fit)
    log_product = log_f + log_blur + np.log(shots.pitch_um * 1e-3)  # of m^2 t, mm
    measured = {
        "working_f_number": _by_log(log_f, float(np.sqrt(spread[0, 0]))),
        "blur_per_step_px": _by_log(log_blur, float(np.sqrt(spread[1, 1]))),
    }
    product_error = float(np.sqrt(spread.sum()))
    magnification, step_mm, sizes = _sizes(shots, float(log_product), error=product_error)
    measured |= sizes
    waves = log_blur + np.log(shots.pitch_um / 8 / _WAVELENGTH_UM) - log_f
    measured["defocus_per_step_waves"] = _by_log(
        waves, float(np.sqrt(max(spread[0, 0] + spread[1, 1] - 2 * spread[0, 1], 0.0)))
    )
    surface = surface_of(
        seen,
        fit,
        step_mm=step_mm,
        pitch_on_subject_mm=shots.pitch_um * 1e-3 / magnification,
        size_error=product_error if sizes else 0.0,
    )
    f_number = float(np.exp(log_f))
    _refuse_rough(surface, depth_mm=_WAVELENGTH_UM * 1e-3 * (2 * f_number / magnification) ** 2)
    measured |= _of_field(fit, surface, step_mm)
    missing = {
        "vignetting_stops, blades, rim, sensor noise": "kept from the rig that it started from"
        if start
        else "as a rig has them by default",
        "wavelengths_um": "taken as known; the f-number is in proportion to one over them",
    }
    distance_mm = _distance(shots, seen, measured, step_mm, magnification)
    lens = _lens(shots, measured, missing, magnification, distance_mm)
    return LensCalibration(
        rig=replace(
            start or _plain_rig(shots),
            name="measured",
            title=f"lens measured from {len(shots.frames)} frames",
            lens=replace(lens, **{key: getattr(start.lens, key) for key in _KEPT if start}),
        ),
        measured=measured,
        known=_known(shots),
        not_measured=missing,
        shots=shots,
        seen=seen,
        fit=fit,
        surface=surface,
    )


def _with_what_is_known(shots: SteppedShots, fit: LensFit) -> tuple[float, float, Doubles]:
    """Return the logarithms of f-number and blur with their covariance.

    Where step and magnification are both known, so is the product of the two.
    """
    pair = [LensNumbers.F_NUMBER, LensNumbers.BLUR]
    coarse = shots.pitch_um / (_WAVELENGTH_UM * float(np.exp(fit.numbers.log_f_number)))
    floors = np.array([_F_NUMBER_FLOOR * coarse, _BLUR_FLOOR * max(coarse, 1.0)])
    spread = fit.covariance[np.ix_(pair, pair)] + np.diag(np.square(floors))
    found = np.array([fit.numbers.log_f_number, fit.numbers.log_blur])
    if shots.step_mm is not None and shots.magnification is not None:
        product = np.log(shots.magnification**2 * shots.step_mm * 1e3 / shots.pitch_um)
        gain = spread.sum(axis=1) / (spread.sum() + 3 * _KNOWN**2)
        found = found + gain * (product - found.sum())
        spread = spread - np.outer(gain, spread.sum(axis=0))
    if np.sqrt(spread[0, 0]) > _VAGUE:
        low, high = np.exp(found[0] + 1.96 * np.sqrt(spread[0, 0]) * np.array([-1, 1]))
        raise LensCalibrationError(
            f"diffraction hardly shows in pixels of {shots.pitch_um:g} um, so the f-number stays "
            f"open (f/{low:.2g} to f/{high:.2g}): give --step and --magnification both, or "
            "take unbinned frames"
        )
    return float(found[0]), float(found[1]), spread


def _sizes(
    shots: SteppedShots, log_product: float, *, error: float
) -> tuple[float, float, dict[str, Estimate]]:
    """Return magnification, step, and which of them was measured.

    Parameters
    ----------
    shots : SteppedShots
    log_product, error : float
        Logarithm of magnification squared times step, mm, and its standard deviation.
    """
    if shots.magnification is None:
        if shots.step_mm is None:
            raise LensCalibrationError("neither step nor magnification is known; give one of them")
        log_size = (log_product - float(np.log(shots.step_mm))) / 2
        measured = {
            "magnification": _by_log(log_size, error / 2),
            "pitch_on_subject_um": _by_log(float(np.log(shots.pitch_um)) - log_size, error / 2),
        }
        return float(np.exp(log_size)), shots.step_mm, measured
    if shots.step_mm is None:
        log_step = log_product - 2 * float(np.log(shots.magnification))
        return shots.magnification, float(np.exp(log_step)), {"step_mm": _by_log(log_step, error)}
    return shots.magnification, shots.step_mm, {}


def _refuse_misfit(seen: ThroughFocus, fit: LensFit) -> None:
    """Refuse curves that no lens makes of something flat."""
    far = np.sqrt(np.nansum(np.square(seen.curves - fit.fitted)[:, GREEN], axis=-1))
    told = (seen.weights[:, GREEN] > 0) & np.asarray(fit.used.any(axis=1))[:, None]
    rms = float(np.sqrt(np.mean(np.square(np.asarray(far)[told]))))
    if rms > _MISFIT:
        raise LensCalibrationError(
            f"contrast does not go through focus as a lens makes it of something flat (off by "
            f"{100 * rms:.0f} %, allowed {100 * _MISFIT:.0f}): the subject has relief, or "
            "moved, or the steps are uneven"
        )


def _refuse_rough(surface: FieldOfFocus, *, depth_mm: float) -> None:
    if surface.rough_mm > _ROUGH * depth_mm:
        raise LensCalibrationError(
            f"the subject is not flat: parts of it come into focus {surface.rough_mm:.2g} mm (rms) "
            f"from a smooth surface, allowed {_ROUGH * depth_mm:.2g} mm at this depth of field"
        )
    if surface.across_block_mm > 0.5 * depth_mm:
        raise LensCalibrationError(
            f"the subject is not square to the camera: its depth changes by "
            f"{surface.across_block_mm:.2g} mm over one of the parts that are compared, allowed "
            f"{0.5 * depth_mm:.2g} mm"
        )


def _of_field(fit: LensFit, surface: FieldOfFocus, step_mm: float) -> dict[str, Estimate]:
    """Return what varies over the field and between colours."""
    found = {
        "field_curvature_per_mm": surface.curvature_per_mm,
        "slope_right": surface.slope[0],
        "slope_down": surface.slope[1],
        "spherical_um": by_normal(fit.numbers.spherical_um, fit.error(LensNumbers.SPHERICAL)),
    }
    for name, channel, place in (
        ("red", 0, LensNumbers.RED),
        ("blue", 2, LensNumbers.BLUE),
    ):
        shift = float(fit.numbers.colour[channel]) * step_mm
        error = np.hypot(fit.error(place) * step_mm, _BLUR_FLOOR * shift)
        found[f"axial_colour_{name}_mm"] = by_normal(shift, float(error))
    return found


def _by_log(value: float, spread: float) -> Estimate:
    """Return a size from its logarithm and the standard deviation of that."""
    found = by_normal(float(value), spread)
    return Estimate(
        value=float(np.exp(found.value)),
        low=float(np.exp(found.low)),
        high=float(np.exp(found.high)),
    )


def _known(shots: SteppedShots) -> dict[str, str]:
    values = {
        "pitch_um": shots.pitch_um,
        "step_mm": shots.step_mm,
        "magnification": shots.magnification,
        "focal_length_mm": shots.focal_length_mm,
        "pupil_ratio": shots.pupil_ratio,
    }
    return {
        name: f"{value:.6g} ({shots.told_by.get(name, 'frames.json')})"
        for name, value in values.items()
        if value is not None
    }


def _distance(
    shots: SteppedShots,
    seen: ThroughFocus,
    measured: dict[str, Estimate],
    step_mm: float,
    magnification: float,
) -> float:
    """Return the distance from the entrance pupil to the plane of focus, mm."""
    share = np.hypot(seen.per_step_error / max(abs(seen.per_step), 1e-12), _DISTANCE_FLOOR)
    if seen.directed and share < _VAGUE:
        step = measured.get("step_mm")
        if step is not None:
            share = np.hypot(share, np.log(step.high / step.low) / 2 / 1.96)
        distance = _by_log(np.log(step_mm / abs(seen.per_step)), float(share))
        measured["distance_mm"] = distance
        return distance.value
    if shots.focal_length_mm is None:
        raise LensCalibrationError(
            "the picture hardly grows from frame to frame, so the distance of the lens stays open: "
            "give --focal-length"
        )
    return shots.focal_length_mm * (1 / magnification + 1 / (shots.pupil_ratio or 1.0))


def _lens(
    shots: SteppedShots,
    measured: dict[str, Estimate],
    missing: dict[str, str],
    magnification: float,
    distance_mm: float,
) -> Lens:
    """Return a thin lens of that distance, magnification and cone.

    A moving camera shows no more of it than those three. How they are shared out between focal
    length and pupils is known from elsewhere, or else taken to be symmetric.
    """
    ratio, told = shots.pupil_ratio, shots.told_by.get("pupil_ratio", "frames.json")
    if ratio is None and shots.focal_length_mm is not None and "distance_mm" in measured:
        inverse = distance_mm / shots.focal_length_mm - 1 / magnification
        if 0.1 < inverse < 10:
            ratio, told = 1 / inverse, "from the distance and the marked focal length"
    if ratio is None:
        ratio, told = 1.0, "taken to be symmetric, which changes no picture of a moving camera"
    missing["pupil_ratio"] = told if told != "given" else "as given"
    working = measured["working_f_number"]
    share = 1 + magnification / ratio
    measured["f_number"] = Estimate(
        value=working.value / share, low=working.low / share, high=working.high / share
    )
    return Lens(
        focal_length_mm=distance_mm / (1 / magnification + 1 / ratio),
        f_number=working.value / share,
        magnification=magnification,
        pupil_ratio=ratio,
        spherical_um=_significant(measured["spherical_um"]),
        axial_colour_mm=(
            _significant(measured["axial_colour_red_mm"]),
            0.0,
            _significant(measured["axial_colour_blue_mm"]),
        ),
        field_curvature_per_mm=_significant(measured["field_curvature_per_mm"]),
    )


def _significant(found: Estimate) -> float:
    """Return the value, or 0 where the interval holds 0."""
    return 0.0 if found.low <= 0 <= found.high else found.value


def _plain_rig(shots: SteppedShots) -> Rig:
    """Return a rig with the frames for its whole sensor, and any lens."""
    rows, cols = shots.shape
    return Rig(
        name="measured",
        lens=Lens(focal_length_mm=50.0, f_number=8.0, magnification=1.0),
        sensor=Sensor(width_px=cols, height_px=rows, pitch_um=shots.pitch_um),
    )
