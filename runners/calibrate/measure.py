"""A calibration: the person's own hands and flash, as far as a burst tells them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from ...ground.types import Doubles
from ...simulator.handling.flash import quench_s
from ...simulator.handling.hands import Stance
from ...simulator.handling.light import Light
from ...simulator.optics import focus_distance_mm, image_scale_px_per_mm
from ...simulator.rig import Rig
from ...simulator.shooting.shoot import USABLE_GAIN_STOPS
from .burst import Burst
from .estimate import Estimate, by_normal, by_ratio
from .light_fit import LightFit, fit_flash, steady_spread
from .motion_fit import Quick, fit_motion
from .track import CalibrationError, Track, track_of

_DRAWN = 300
#: Ways toward the subject come out wrong by about so much (share, standard deviation; rendered
#: bursts): which depth is sharp, and so rules the scale, changes on the way.
_SCALE_ERROR = 0.01


@dataclass(kw_only=True)
class _Book:
    """What is found on the way."""

    seed: int
    measured: dict[str, Estimate] = field(default_factory=dict)
    missing: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """What a burst told of hands and light.

    Parameters
    ----------
    stance, light : Stance, Light
        The ones taken for a start, with what was measured put in.
    measured : mapping of str to Estimate
        By the name of the key and its unit.
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
        It was taken with.
    stance : Stance
        The kind of pass, and what a burst cannot tell.
    light : Light
        The settings of flash and camera, and what a burst cannot tell.
    seed : int
        Of what is drawn for the intervals.

    Raises
    ------
    CalibrationError
        The pictures cannot be followed, or the stance is one that moves no camera.
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
    """Measure hands and light from the course of a burst."""
    book = _Book(seed=seed)
    if stance.approach.kind == "stepped":
        stance = _stepped(track, stance, book)
    else:
        stance = _leaning(track, rig, stance, book)
    light = replace(light, exposure_s=burst.exposure_s or light.exposure_s)
    light = _lit(track, light, book, each_timed=burst.each_timed)
    _smear(burst, rig, light, book)
    return Calibration(
        stance=stance,
        light=light,
        measured=book.measured,
        not_measured=book.missing,
        frames=len(track.times_s),
        matched=int(track.seen.sum()),
        dark=int(track.dark.sum()),
        times_from=burst.times_from,
    )


def _leaning(track: Track, rig: Rig, stance: Stance, book: _Book) -> Stance:
    """Return a stance with sway, tremor, rotation and speed of a burst in one swing."""
    seen = track.seen
    times = track.times_s[seen]
    fit = fit_motion(
        times,
        {
            "right": track.right_mm[seen],
            "down": track.down_mm[seen],
            "advance": track.advance_mm[seen],
            "roll": track.roll_mrad[seen],
        },
        moving="advance",
        corner_hz=stance.sway_hz,
        quick=Quick(hz=stance.tremor_hz, half_width_hz=stance.tremor_half_width_hz),
        seed=book.seed,
    )
    axes, turned = fit.axes, focus_distance_mm(rig) * 1e-3
    rotation = axes["roll"].sway
    across, down = (
        _without_turning(axes[name].sway, turned * rotation.value) for name in ("right", "down")
    )
    along, speed = axes["advance"].sway, axes["advance"].speed
    assert speed is not None  # the advance is the moving axis
    quick, known = fit.common_quick("right", "down"), _known_quick(stance, turned)
    share = quick.value / known if known > 0 else 0.0
    book.measured |= {
        "sway_across_mm": across,
        "sway_down_mm": down,
        "sway_toward_mm": along,
        "sway_hz": fit.corner_hz,
        "rotation_mrad": rotation,
        "quick_motion_mm": quick,
        "speed_mm_per_s": speed,
        "rms_step_mm": _rms_step(track.advance_mm[seen], book.seed),
    }
    book.missing |= {
        "tremor_um, rotation_tremor_mrad, pulse_um": "only their joint size in the picture; "
        f"the parts they have in stance {stance.name!r} are kept",
        "tremor_hz, tremor_hz_spread, tremor_half_width_hz, pulse_hz": "a burst has too few "
        f"frames a second; kept from stance {stance.name!r}",
        "pitch and yaw": "look like sway in a picture; taken to be as large as the roll",
        "coupling, held_sway": "what subject and camera do together does not show; the sway is "
        "that between them",
    }
    return replace(
        stance,
        sway_mm=(across.value, down.value, along.value),
        sway_hz=fit.corner_hz.value,
        tremor_um=share * stance.tremor_um,
        pulse_um=share * stance.pulse_um,
        rotation_tremor_mrad=share * stance.rotation_tremor_mrad,
        rotation_mrad=rotation.value,
        coupling=0.0,
        approach=replace(stance.approach, speed_mm_per_s=max(abs(speed.value), 1e-3)),
    )


def _stepped(track: Track, stance: Stance, book: _Book) -> Stance:
    """Return a stance with step and error of a burst on a support."""
    frames = np.flatnonzero(track.seen)
    places = track.advance_mm[track.seen]
    design = np.stack([np.ones(len(frames)), frames - frames.mean()], axis=1)
    solve = np.linalg.pinv(design)
    step = float(solve[1] @ places)
    freedom = len(frames) - 2
    error = float(np.sqrt(np.square(places - design @ (solve @ places)).sum() / freedom))
    drawn = error * np.random.default_rng(book.seed).standard_normal((_DRAWN, len(frames)))
    left = drawn - (drawn @ solve.T) @ design.T
    errors = np.sqrt(np.square(left).sum(axis=1) / freedom)
    spread = np.hypot(float(np.std(drawn @ solve[1])), _SCALE_ERROR * step)
    book.measured["step_mm"] = by_normal(abs(step), float(spread))
    book.measured["step_error_mm"] = by_ratio(error, errors)
    book.missing["sway_mm, tremor_um, rotation_mrad"] = (
        f"taken as in stance {stance.name!r}: a support; errors of the registration count as "
        "errors of the step"
    )
    approach = replace(stance.approach, step_mm=abs(step), step_error_mm=error)
    return replace(stance, approach=approach)


def _lit(track: Track, light: Light, book: _Book, *, each_timed: bool) -> Light:
    """Return a light with spread, recycle time, misfires and rate of a burst."""
    gaps = np.diff(track.times_s)
    rate = 1 / float(np.median(gaps) if light.flash is None else gaps.min())
    light = replace(light, cadence=replace(light.cadence, frames_per_s=rate))
    book.missing["buffer_frames, readout_s"] = "kept: a burst does not tell why a camera slows down"
    if light.flash is None:
        spread = steady_spread(track.gain_stops, track.advance_mm, seed=book.seed)
        book.measured["ambient_spread_stops"] = spread
        return replace(light, ambient_spread_stops=spread.value)
    found = fit_flash(
        light.flash,
        times_s=track.times_s,
        gain_stops=track.gain_stops,
        advance_mm=track.advance_mm,
        dark=track.dark,
        ambient_share=light.ambient_share,
        each_timed=each_timed,
        seed=book.seed,
    )
    return _flashed(found, light, book)


def _flashed(found: LightFit, light: Light, book: _Book) -> Light:
    unit = light.flash
    assert unit is not None  # asked before
    book.measured["spread_stops"] = found.spread_stops
    book.measured["misfire_share"] = found.misfire_share
    unit = replace(unit, spread_stops=found.spread_stops.value)
    if light.ambient_share > 2.0**USABLE_GAIN_STOPS:
        book.missing["misfires"] = "with so much daylight beside the flash a misfire is not dark"
    if found.recycle_s is None:
        book.missing["recycle_s"] = found.recycle_why
    else:
        book.measured["recycle_s"] = found.recycle_s
        times = replace(unit.recycle_s, **{unit.battery: found.recycle_s.value})
        unit = replace(unit, recycle_s=times, refill=found.refill or unit.refill)
    if found.misfire_below is None:
        book.missing["misfire_below"] = (
            f"{found.misfires} misfires seen, and no store to set them against"
            if found.misfires
            else "no misfire seen"
        )
    else:
        unit = replace(unit, misfire_below=found.misfire_below)
    book.missing["power, initial_store, ready_deficit_stops, duration, colour, distance_mm"] = (
        f"taken as in light {light.name!r}"
    )
    book.missing["ambient_share, ambient_spread_stops"] = "not told from the flash; kept"
    return replace(light, flash=unit)


def _smear(burst: Burst, rig: Rig, light: Light, book: _Book) -> None:
    """Tell the motion blur that the quick motion makes in the time the light lasts."""
    quick = book.measured.get("quick_motion_mm")
    if quick is None:
        book.missing["smear_px"] = "no motion was measured to make any"
        return
    lasts = quench_s(light.flash) if light.flash is not None else light.exposure_s
    per_mm = image_scale_px_per_mm(rig) * rig.sensor.pitch_um / burst.pitch_um
    # A swing of rms a at f has the rms speed 2 pi f a; a path of length v T has rms v T / 12^.5.
    per_quick = 2 * np.pi * _TREMOR_HZ * lasts / np.sqrt(12) * per_mm * np.sqrt(2)
    book.measured["smear_px"] = Estimate(
        value=float(per_quick * quick.value),
        low=float(per_quick * quick.low),
        high=float(per_quick * quick.high),
    )
    book.missing["smear as seen"] = (
        "computed from the quick motion and from how long the light lasts, not from the pictures"
    )


#: Rate of a physiological tremor (8.1 Hz mean in a fine two-handed task, Muerbe et al. 2001).
_TREMOR_HZ = 8.1


def _without_turning(sway: Estimate, turned_mm: float) -> Estimate:
    """Return the sway without what a turning camera makes of it."""
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
    """Return the rms step toward the subject; its interval is of the steps drawn anew."""
    squares = np.square(np.diff(advance_mm))
    picks = np.random.default_rng(seed).choice(squares, (_DRAWN, len(squares)))
    value = float(np.sqrt(squares.mean()))
    return by_ratio(value, np.sqrt(picks.mean(axis=1)))
