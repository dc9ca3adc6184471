"""Conditions of a benchmark: one thing about a shoot made worse, in a physical unit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeGuard

from ....simulator.handling.light import FlashUnit, Recycle
from ....simulator.scene.scene import Balls, Fibres, Surface
from ....simulator.shooting.sensor import saturation_e
from ....simulator.shooting.shoot import STEP_SHARE, Shoot


@dataclass(frozen=True, slots=True)
class Factor:
    """Something that can be made worse.

    Parameters
    ----------
    unit : str
        Of its values.
    apply : callable
        Takes a shoot and a value; returns the shoot with that value and all else as it was.
    """

    unit: str
    apply: Callable[[Shoot, float], Shoot]


def _step(shoot: Shoot, share: float) -> Shoot:
    """Step at another pace; a longer step needs fewer frames for the same depth."""
    times = share / STEP_SHARE
    approach = replace(
        shoot.approach,
        speed_mm_per_s=shoot.approach.speed_mm_per_s * times,
        step_mm=shoot.approach.step_mm * times,
    )
    return replace(shoot, approach=approach, frames=max(2, round(shoot.frames / times)))


def _shake(shoot: Shoot, rms_mm: float) -> Shoot:
    """Set the sway along the axis, and scale sway across, tremor and pulse with it."""
    along = shoot.stance.sway_mm[2]
    if along == 0:
        raise ValueError(
            f"stance {shoot.stance.name!r} does not sway: got no shake, allowed a stance with some"
        )
    times = rms_mm / along
    across, down, _ = shoot.stance.sway_mm
    stance = replace(
        shoot.stance,
        sway_mm=(across * times, down * times, rms_mm),
        tremor_um=shoot.stance.tremor_um * times,
        pulse_um=shoot.stance.pulse_um * times,
    )
    return replace(shoot, stance=stance)


def _rotation(shoot: Shoot, rms_mrad: float) -> Shoot:
    return replace(shoot, stance=replace(shoot.stance, rotation_mrad=rms_mrad))


def _flash(shoot: Shoot) -> FlashUnit:
    if shoot.light.flash is None:
        raise ValueError(
            f"light {shoot.light.name!r} has no flash to vary: got none, allowed a light with one"
        )
    return shoot.light.flash


def _flash_spread(shoot: Shoot, stops: float) -> Shoot:
    flash = replace(_flash(shoot), spread_stops=stops)
    return replace(shoot, light=replace(shoot.light, flash=flash))


def _hasty_flash(shoot: Shoot, recycle_s: float) -> Shoot:
    """Fire at every frame, ready or not: frames get darker, and some get no light."""
    every = Recycle(nimh=recycle_s, alkaline=recycle_s, lithium=recycle_s)
    flash = replace(_flash(shoot), recycle_s=every, when_not_ready="fire")
    return replace(shoot, light=replace(shoot.light, flash=flash))


def _noise(shoot: Shoot, iso: float) -> Shoot:
    saturation_e(shoot.rig.sensor, iso=iso)  # refuses an ISO that the sensor does not have
    return replace(shoot, iso=iso)


def _subject_sway(shoot: Shoot, rms_mm: float) -> Shoot:
    """Let the stem sway across the picture; half as much along the axis, a fifth down."""
    wind = replace(shoot.subject.wind, rms_mm=(rms_mm, rms_mm / 5, rms_mm / 2))
    return replace(shoot, subject=replace(shoot.subject, wind=wind))


def _smear(shoot: Shoot, exposure_s: float) -> Shoot:
    """Let half of the light be ambient, gathered during this exposure."""
    return replace(shoot, light=replace(shoot.light, ambient_share=0.5, exposure_s=exposure_s))


def _missing_ends(shoot: Shoot, share: float) -> Shoot:
    """Start late and stop early: this share of the frames is missing at each end."""
    missing = round(shoot.frames * share)
    pace_mm = _pace_mm(shoot)
    approach = replace(shoot.approach, start_mm=shoot.approach.start_mm + missing * pace_mm)
    return replace(shoot, approach=approach, frames=max(2, shoot.frames - 2 * missing))


def _pace_mm(shoot: Shoot) -> float:
    """Return how far the plane of focus is meant to go from frame to frame."""
    if shoot.approach.kind in ("stepped", "focus-ring"):
        return shoot.approach.step_mm
    times = [flash.time_s for flash in shoot.flashes]
    if len(times) < 2:
        return 0.0
    return shoot.approach.speed_mm_per_s * (times[-1] - times[0]) / (len(times) - 1)


def _axial_colour(shoot: Shoot, apart_mm: float) -> Shoot:
    """Focus red and blue this far from green, on either side."""
    lens = replace(shoot.rig.lens, axial_colour_mm=(-apart_mm, 0.0, apart_mm))
    return replace(shoot, rig=replace(shoot.rig, lens=lens))


def _highlights(shoot: Shoot, radiance: float) -> Shoot:
    """Let the light's reflection in every shiny drop and ball be this many times white."""
    surfaces = shoot.scene.surface
    if not any(_shines(surface) for surface in surfaces):
        raise ValueError(
            f"scene {shoot.scene.name!r} has nothing shiny to brighten: got none, allowed a "
            "glossy scene"
        )
    brighter = tuple(
        replace(surface, highlight=radiance) if _shines(surface) else surface
        for surface in surfaces
    )
    return replace(shoot, scene=replace(shoot.scene, surface=brighter))


def _shines(surface: Surface) -> TypeGuard[Fibres | Balls]:
    """Tell whether a surface has a highlight; fibres have it in the drops at their tips."""
    match surface:
        case Balls():
            return surface.highlight > 0
        case Fibres():
            return surface.drop_um is not None and surface.highlight > 0
    return False


FACTORS = {
    "step": Factor("depths of field a frame", _step),
    "shake": Factor("mm rms toward the subject", _shake),
    "rotation": Factor("mrad rms", _rotation),
    "flash-spread": Factor("stops", _flash_spread),
    "hasty-flash": Factor("s of recycling not waited for", _hasty_flash),
    "noise": Factor("ISO", _noise),
    "subject-sway": Factor("mm rms across", _subject_sway),
    "smear": Factor("s of ambient exposure", _smear),
    "missing-ends": Factor("share of the frames, each end", _missing_ends),
    "axial-colour": Factor("mm of focus between colours", _axial_colour),
    "highlights": Factor("times white", _highlights),
}
