"""A calibration: the person's own hands and flash, as far as a burst tells them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from ...ground.types import Doubles
from ...simulator.handling.flash import quench_s
from ...simulator.handling.hands import Stance
from ...simulator.handling.light import FlashUnit, Light
from ...simulator.optics import focus_distance_mm, image_scale_px_per_mm
from ...simulator.rig import Rig
from ...simulator.shooting.shoot import USABLE_GAIN_STOPS
from .burst import Burst
from .estimate import Estimate, by_normal, by_ratio
from .light_fit import LightFit, fit_flash, steady_spread
from .motion_fit import Quick, fit_motion
from .track import CalibrationError, Track, track_of

#: Bursts drawn behind an interval.
_DRAWN = 300
#: Error of a way toward the subject, as a share of it (standard deviation; rendered bursts). What
#: is sharp rules the scale of the picture, and which depth that is changes on the way.
_SCALE_ERROR = 0.01
#: Rate of a physiological tremor (8.1 Hz mean in a fine two-handed task, Muerbe et al. 2001).
_TREMOR_HZ = 8.1
#: Numbers that go with the rate of the burst, and with its duration.
_PER_SECOND, _SECONDS = ("sway_hz", "speed_mm_per_s"), ("recycle_s",)


@dataclass(frozen=True, kw_only=True)
class _Findings:
    """What one part of the calibration finds: numbers, and why others are missing."""

    measured: Mapping[str, Estimate]
    missing: Mapping[str, str]


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """What a burst shows of hands and light.

    Parameters
    ----------
    stance, light : Stance, Light
        Those that the calibration started from, with what was measured put in.
    measured : mapping of str to Estimate
        By the name of the key, with its unit.
    not_measured : mapping of str to str
        Why not, by the name of the key.
    frames, matched, dark : int
        All frames, those that could be followed, and those without light.
    times_from : str
    """

    stance: Stance
    light: Light
    measured: Mapping[str, Estimate]
    not_measured: Mapping[str, str]
    frames: int
    matched: int
    dark: int
    times_from: str


def calibrate(
    burst: Burst, rig: Rig, *, stance: Stance, light: Light, seed: int = 0
) -> Calibration:
    """Measure hands and light from a burst.

    Parameters
    ----------
    burst : Burst
    rig : Rig
        That the burst was taken with.
    stance : Stance
        The kind of pass, and the values of what a burst does not tell.
    light : Light
        The settings of flash and camera, and the values of what a burst does not tell.
    seed : int
        Of what is drawn for the intervals.

    Raises
    ------
    CalibrationError
        The pictures cannot be followed, or the pass of the stance is of a kind that a
        calibration does not measure.
    """
    if stance.approach.kind in ("focus-ring", "rock"):
        raise CalibrationError(
            f"stance {stance.name!r} goes in a {stance.approach.kind!r} pass; a calibration "
            "measures 'lean' and 'stepped' passes"
        )
    return calibrate_track(track_of(burst, rig), burst, rig, stance=stance, light=light, seed=seed)


def calibrate_track(
    track: Track, burst: Burst, rig: Rig, *, stance: Stance, light: Light, seed: int = 0
) -> Calibration:
    """Measure hands and light from the course of a burst; parameters as of `calibrate`."""
    if stance.approach.kind == "stepped":
        stance, hands = _stepped(track, stance, seed=seed)
    else:
        stance, hands = _leaning(track, stance, focus_distance_mm(rig), seed=seed)
    light = replace(light, exposure_s=burst.exposure_s or light.exposure_s)
    light, lit = _lit(track, light, each_timed=burst.each_timed, seed=seed)
    px_per_mm = image_scale_px_per_mm(rig) * rig.sensor.pitch_um / burst.pitch_um
    smear = _smear(hands.measured.get("quick_motion_mm"), light, px_per_mm=px_per_mm)
    measured = {**hands.measured, **lit.measured, **smear.measured}
    return Calibration(
        stance=stance,
        light=light,
        measured={name: _paced(name, one, burst.pace) for name, one in measured.items()},
        not_measured={**hands.missing, **lit.missing, **smear.missing},
        frames=len(track.times_s),
        matched=int(track.seen.sum()),
        dark=int(track.dark.sum()),
        times_from=burst.times_from,
    )


def _leaning(
    track: Track, stance: Stance, distance_mm: float, *, seed: int
) -> tuple[Stance, _Findings]:
    """Return a stance with sway, tremor, rotation and speed of a burst in one swing."""
    seen = track.seen
    fit = fit_motion(
        track.times_s[seen],
        {
            "right": track.right_mm[seen],
            "down": track.down_mm[seen],
            "advance": track.advance_mm[seen],
            "roll": track.roll_mrad[seen],
        },
        moving="advance",
        corner_hz=stance.sway_hz,
        quick=Quick(hz=stance.tremor_hz, half_width_hz=stance.tremor_half_width_hz),
        seed=seed,
    )
    turned = distance_mm * 1e-3
    rotation, along = fit.axes["roll"].sway, fit.axes["advance"].sway
    across, down = (
        _without_turning(fit.axes[name].sway, turned * rotation.value) for name in ("right", "down")
    )
    quick, known = fit.common_quick("right", "down"), _known_quick(stance, turned)
    share = quick.value / known if known > 0 else 0.0
    measured = {
        "sway_across_mm": across,
        "sway_down_mm": down,
        "sway_toward_mm": along,
        "sway_hz": fit.corner_hz,
        "rotation_mrad": rotation,
        "quick_motion_mm": quick,
        "speed_mm_per_s": fit.speed,
        "rms_step_mm": _rms_step(track.advance_mm[seen], seed),
    }
    leaning = replace(
        stance,
        sway_mm=(across.value, down.value, along.value),
        sway_hz=fit.corner_hz.value,
        tremor_um=share * stance.tremor_um,
        pulse_um=share * stance.pulse_um,
        rotation_tremor_mrad=share * stance.rotation_tremor_mrad,
        rotation_mrad=rotation.value,
        coupling=0.0,
        approach=replace(stance.approach, speed_mm_per_s=max(abs(fit.speed.value), 1e-3)),
    )
    return leaning, _Findings(measured=measured, missing=_missing_of_hands(stance))


def _paced(name: str, found: Estimate, pace: tuple[float, float]) -> Estimate:
    """Return a number with what is not known of the times counted in.

    A rate or a speed falls as the true times grow, and a duration grows with them.
    """
    low, high = pace
    if name in _PER_SECOND:
        return replace(found, low=found.low / high, high=found.high / low)
    if name in _SECONDS:
        return replace(found, low=found.low * low, high=found.high * high)
    return found


def _missing_of_hands(stance: Stance) -> dict[str, str]:
    return {
        "tremor_um, rotation_tremor_mrad, pulse_um": "only their joint size in the picture; "
        f"the parts they have in stance {stance.name!r} are kept",
        "tremor_hz, tremor_hz_spread, tremor_half_width_hz, pulse_hz": "a burst has too few "
        f"frames a second; kept from stance {stance.name!r}",
        "pitch and yaw": "look like sway in a picture; taken to be as large as the roll",
        "start_error_mm, stop_error_mm, reaction_s": "where a pass was meant to start and stop is "
        f"not in its frames; kept from stance {stance.name!r}",
        "coupling, held_sway": "what subject and camera do together does not show; the sway is "
        "that between them",
    }


def _stepped(track: Track, stance: Stance, *, seed: int) -> tuple[Stance, _Findings]:
    """Return a stance with step and error of a burst on a support."""
    frames = np.flatnonzero(track.seen)
    places = track.advance_mm[track.seen]
    design = np.stack([np.ones(len(frames)), frames - frames.mean()], axis=1)
    solve = np.linalg.pinv(design)
    step = float(solve[1] @ places)
    freedom = len(frames) - 2
    error = float(np.sqrt(np.square(places - design @ (solve @ places)).sum() / freedom))
    drawn = error * np.random.default_rng(seed).standard_normal((_DRAWN, len(frames)))
    left = drawn - (drawn @ solve.T) @ design.T
    errors = np.sqrt(np.square(left).sum(axis=1) / freedom)
    spread = np.hypot(float(np.std(drawn @ solve[1])), _SCALE_ERROR * step)
    approach = replace(stance.approach, step_mm=abs(step), step_error_mm=error)
    findings = _Findings(
        measured={
            "step_mm": by_normal(abs(step), float(spread)),
            "step_error_mm": by_ratio(error, errors),
        },
        missing={
            "sway_mm, tremor_um, rotation_mrad": f"taken as in stance {stance.name!r}: a support; "
            "errors of the registration count as errors of the step"
        },
    )
    return replace(stance, approach=approach), findings


def _lit(track: Track, light: Light, *, each_timed: bool, seed: int) -> tuple[Light, _Findings]:
    """Return a light with spread, recycle time, misfires and rate of a burst."""
    gaps = np.diff(track.times_s)
    rate = 1 / float(np.median(gaps) if light.flash is None else gaps.min())
    light = replace(light, cadence=replace(light.cadence, frames_per_s=rate))
    slow = {"buffer_frames, readout_s": "kept: a burst does not tell why a camera slows down"}
    if light.flash is None:
        spread = steady_spread(track.gain_stops, track.advance_mm, seed=seed)
        findings = _Findings(measured={"ambient_spread_stops": spread}, missing=slow)
        return replace(light, ambient_spread_stops=spread.value), findings
    found = fit_flash(
        light.flash,
        times_s=track.times_s,
        gain_stops=track.gain_stops,
        advance_mm=track.advance_mm,
        dark=track.dark,
        ambient_share=light.ambient_share,
        each_timed=each_timed,
        seed=seed,
    )
    findings = _findings_of_flash(found, light)
    findings = replace(findings, missing={**slow, **findings.missing})
    return replace(light, flash=_measured_flash(light.flash, found)), findings


def _measured_flash(unit: FlashUnit, found: LightFit) -> FlashUnit:
    """Return a flash with what was measured of it."""
    unit = replace(unit, spread_stops=found.spread_stops.value)
    if found.recycle_s is not None:
        times = replace(unit.recycle_s, **{unit.battery: found.recycle_s.value})
        unit = replace(unit, recycle_s=times, refill=found.refill or unit.refill)
    if found.misfire_below is not None:
        unit = replace(unit, misfire_below=found.misfire_below)
    return unit


def _findings_of_flash(found: LightFit, light: Light) -> _Findings:
    measured = {"spread_stops": found.spread_stops, "misfire_share": found.misfire_share}
    missing = {}
    if light.ambient_share > 2.0**USABLE_GAIN_STOPS:
        missing["misfires"] = "with so much daylight beside the flash a misfire is not dark"
    if found.recycle_s is None:
        missing["recycle_s"] = found.recycle_why
    else:
        measured["recycle_s"] = found.recycle_s
    if found.misfire_below is None:
        missing["misfire_below"] = (
            f"{found.misfires} misfires seen, and no store to set them against"
            if found.misfires
            else "no misfire seen"
        )
    missing["power, initial_store, ready_deficit_stops, duration, colour, distance_mm"] = (
        f"taken as in light {light.name!r}"
    )
    missing["ambient_share, ambient_spread_stops"] = "not told from the flash; kept"
    return _Findings(measured=measured, missing=missing)


def _smear(quick: Estimate | None, light: Light, *, px_per_mm: float) -> _Findings:
    """Tell the motion blur that the quick motion makes in the time the light lasts."""
    if quick is None:
        return _Findings(measured={}, missing={"smear_px": "no motion was measured to make any"})
    lasts = quench_s(light.flash) if light.flash is not None else light.exposure_s
    # A swing of rms a at f has the rms speed 2 pi f a; a path of length v T has rms v T / 12^.5.
    per_quick = 2 * np.pi * _TREMOR_HZ * lasts / np.sqrt(12) * px_per_mm * np.sqrt(2)
    smear = Estimate(
        value=float(per_quick * quick.value),
        low=float(per_quick * quick.low),
        high=float(per_quick * quick.high),
    )
    why = "computed from the quick motion and from how long the light lasts, not from the pictures"
    return _Findings(measured={"smear_px": smear}, missing={"smear as seen": why})


def _without_turning(sway: Estimate, turned_mm: float) -> Estimate:
    """Return the sway without what the turning of the camera adds to it in the picture."""
    value, low, high = (
        float(np.sqrt(max(size**2 - turned_mm**2, 0.0)))
        for size in (sway.value, sway.low, sway.high)
    )
    return Estimate(value=value, low=low, high=high)


def _known_quick(stance: Stance, turned_mm_per_mrad: float) -> float:
    """Return the quick motion of a stance in the plane of focus, mm rms of each axis."""
    moved = np.hypot(stance.tremor_um, stance.pulse_um) * 1e-3
    return float(np.hypot(moved, turned_mm_per_mrad * stance.rotation_tremor_mrad))


def _rms_step(advance_mm: Doubles, seed: int) -> Estimate:
    """Return the rms step toward the subject, its interval by drawing the steps anew."""
    squares = np.square(np.diff(advance_mm))
    picks = np.random.default_rng(seed).choice(squares, (_DRAWN, len(squares)))
    value = float(np.sqrt(squares.mean()))
    return by_ratio(value, np.sqrt(picks.mean(axis=1)))
