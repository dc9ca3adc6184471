"""Many drawn passes over a subject: where camera and subject are, and which frames count."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ....ground.types import Bools, Doubles
from ....simulator.blur.smear import exposed
from ....simulator.handling.approach import planned_mm
from ....simulator.handling.flash import Flash, fire
from ....simulator.handling.hands import Stance
from ....simulator.handling.light import Light
from ....simulator.shooting.shoot import USABLE_GAIN_STOPS, USABLE_SMEAR_PX
from ....simulator.streams import stream
from .conditions import Conditions, Framing
from .motion import Moves, draw_pulse_at, draw_stem_at, draw_sway_at, draw_tremor_at
from .way import Way, goes_in_steps


@dataclass(frozen=True, kw_only=True, eq=False)
class Passes:
    """Many drawn passes under the same conditions, without the intended course.

    Hands, subject and light do not depend on where the pass is meant to go or on the f-number, so
    one draw serves many plans.

    Parameters
    ----------
    times_s : array (frames,)
        The same in all passes.
    along_mm : array (passes, frames)
        How far the hands take the camera toward the subject, beyond the intended pass.
    aside_mm : array (2, passes, frames)
        How far across and down the picture's middle lies from where it was framed.
    stop_error : array (passes, frames)
        Error of each stop of a regular pass, in units of its spread.
    smear_px : array (passes, frames)
        Rms image motion during the exposure.
    gain_stops : array (passes, frames)
        Light over the nominal light; -inf for none.
    misfires : array (frames,)
        Whether the flash fails to fire; the same in all passes.
    strayed : array (passes, frames)
        Whether the subject's middle has left the picture.
    usable : array (passes, frames)
        Whether the frame is fit for a merge: not smeared, dark, strayed or without the subject.
    """

    times_s: Doubles
    along_mm: Doubles
    aside_mm: Doubles
    stop_error: Doubles
    smear_px: Doubles
    gain_stops: Doubles
    misfires: Bools
    strayed: Bools
    usable: Bools

    def planes_mm(self, way: Way) -> Doubles:
        """Return z of the planes of focus in the subject, mm, shape (passes, frames of the way)."""
        approach, frames = way.approach, way.frames
        planes = self.along_mm[:, :frames] + self.meant_mm(way)
        if goes_in_steps(approach) and approach.step_error_mm > 0:
            planes += approach.step_error_mm * self.stop_error[:, :frames]
        return planes

    def meant_mm(self, way: Way) -> Doubles:
        """Return where the planes of focus are meant to be, mm, shape (frames of the way,)."""
        exact, frames = replace(way.approach, step_error_mm=0.0), way.frames
        return planned_mm(exact, self.times_s[:frames], np.arange(frames), seed=0, scene="plan")

    def first(self, passes: int) -> Passes:
        """Return the first passes alone."""
        return replace(
            self,
            along_mm=self.along_mm[:passes],
            aside_mm=self.aside_mm[:, :passes],
            stop_error=self.stop_error[:passes],
            smear_px=self.smear_px[:passes],
            gain_stops=self.gain_stops[:passes],
            strayed=self.strayed[:passes],
            usable=self.usable[:passes],
        )


def draw_passes(conditions: Conditions, *, frames: int, passes: int, seed: int = 0) -> Passes:
    """Draw many passes.

    Parameters
    ----------
    conditions : Conditions
    frames : int
        Frames in each, >= 1.
    passes : int
        Number of passes, >= 1.
    seed : int
        The same seed draws the same passes.

    Raises
    ------
    ValueError
        No frame or no pass is asked for.

    Notes
    -----
    Hands and subject follow the simulator's own laws exactly at the frame times. Two things are
    simpler: a twitch of a part is left out, and a flash carried by the camera does not grow
    brighter as it comes nearer (a fraction of a stop over a pass).
    """
    if frames < 1 or passes < 1:
        raise ValueError(f"frames and passes must be >= 1, got {frames} and {passes}")
    stance, light, subject = conditions.stance, conditions.light, conditions.subject
    burst = fire(light, frames, seed=seed, scene="plan")
    times = np.array([flash.time_s for flash in burst])
    slow = _draw_slow(stance, times, passes, seed=seed)
    quick = _draw_quick(stance, times, passes, seed=seed)
    stem = draw_stem_at(
        stream(seed, "plan", "stem"), times, passes, wind=subject.wind, held=stance.held_sway
    )
    exposures = _exposures(light, burst, tremor_hz=stance.tremor_hz)
    smear_px = _smear_px(conditions.framing, exposures, slow, quick, stem)
    gain_stops = _gain_stops(light, burst, passes, seed=seed)
    place = slow.position + quick.position
    place[..., :3] -= stem.position
    aside_mm = _aside_mm(conditions.framing, place)
    strayed = _strayed(conditions.framing, aside_mm)
    there = _present(subject.leaves_after_frame, frames)
    return Passes(
        times_s=times,
        along_mm=_passes_first(place[..., 2]),
        aside_mm=aside_mm,
        stop_error=stream(seed, "plan", "step-error").standard_normal((passes, frames)),
        smear_px=smear_px,
        gain_stops=gain_stops,
        misfires=np.array([flash.misfire for flash in burst]),
        strayed=strayed,
        usable=(smear_px <= USABLE_SMEAR_PX) & (gain_stops >= USABLE_GAIN_STOPS) & ~strayed & there,
    )


def _draw_slow(stance: Stance, times: Doubles, passes: int, *, seed: int) -> Moves:
    """Draw the sway: x, y, z in mm, pitch and yaw in mrad."""
    left = 1 - stance.coupling
    rms = [left * size for size in stance.sway_mm] + [stance.rotation_mrad] * 2
    if not any(rms):
        return Moves(*np.zeros((2, len(times), passes, 5)))
    return draw_sway_at(
        stream(seed, "plan", "hand-sway"),
        times,
        passes,
        rms=rms,
        corner_hz=stance.sway_hz,
        from_zero=True,
    )


def _draw_quick(stance: Stance, times: Doubles, passes: int, *, seed: int) -> Moves:
    """Draw tremor and heart pulse, columns as of the sway."""
    moves = Moves(*np.zeros((2, len(times), passes, 5)))
    rms = [stance.tremor_um * 1e-3] * 3 + [stance.rotation_tremor_mrad] * 2
    if any(rms):
        rng = stream(seed, "plan", "hand-tremor")
        moves = draw_tremor_at(rng, times, passes, stance=stance, rms=rms)
    if stance.pulse_um:
        pulse = draw_pulse_at(stream(seed, "plan", "heart-pulse"), times, passes, stance=stance)
        moves.position[..., :3] += pulse.position
        moves.velocity[..., :3] += pulse.velocity
    return moves


def _aside_mm(framing: Framing, place: Doubles) -> Doubles:
    """Return where the picture's middle lies in the plane of focus, mm, (2, passes, frames)."""
    per_mrad = 1e-3 * framing.distance_mm
    across = place[..., 0] + per_mrad * place[..., 4]
    down = place[..., 1] - per_mrad * place[..., 3]
    return np.stack([across.T, down.T])


def _strayed(framing: Framing, aside_mm: Doubles) -> Bools:
    """Return whether the subject's middle has left the picture, shape (passes, frames)."""
    across, down = np.abs(aside_mm)
    return np.asarray((across > framing.half_width_mm) | (down > framing.half_height_mm))


def _smear_px(
    framing: Framing, exposures: Doubles, slow: Moves, quick: Moves, stem: Moves
) -> Doubles:
    """Return the rms image motion in the exposures, px, shape (passes, frames).

    To first order the motion is straight, and spreads over velocity times the spread of the
    exposure in time. A tremor that turns round within the exposure smears less, by what it does
    at the centre of its resonance.
    """
    per_mm = framing.px_per_mm
    per_mrad = 1e-3 * per_mm * framing.distance_mm
    spread, shrunk = exposures
    speed = slow.velocity + quick.velocity * shrunk[:, np.newaxis, np.newaxis]
    sway = stem.velocity
    down = per_mm * (sway[..., 1] - speed[..., 1]) + per_mrad * speed[..., 3]
    across = per_mm * (sway[..., 0] - speed[..., 0]) - per_mrad * speed[..., 4]
    return _passes_first(np.hypot(down, across) * spread[:, np.newaxis])


def _exposures(light: Light, burst: list[Flash], *, tremor_hz: float) -> Doubles:
    """Return `_exposure_spread` of every frame, shape (2, frames)."""
    # All exposures of a burst have one course of light, but those whose flash failed another.
    kinds = {flash.misfire: flash for flash in reversed(burst)}
    spreads = {
        misfire: _exposure_spread(light, flash, tremor_hz=tremor_hz)
        for misfire, flash in kinds.items()
    }
    return np.array([spreads[flash.misfire] for flash in burst]).T


def _exposure_spread(light: Light, flash: Flash, *, tremor_hz: float) -> tuple[float, float]:
    """Return how an exposure smears.

    Returns
    -------
    spread_s : float
        Rms spread of its light in time.
    shrunk : float
        What a tremor smears in it, over what a straight motion of the same speed does.
    """
    times, weights = exposed(light, flash)
    spread = float(np.sqrt(weights @ np.square(times - weights @ times)))
    rate = 2 * np.pi * tremor_hz
    if spread * rate < 1e-3:
        return spread, 1.0
    averaged = 1 - abs(weights @ np.exp(1j * rate * times)) ** 2
    return spread, float(np.sqrt(averaged) / (rate * spread))


def _gain_stops(light: Light, burst: list[Flash], passes: int, *, seed: int) -> Doubles:
    """Draw the light in every frame over the nominal light, stops, shape (passes, frames)."""
    output, ambient = stream(seed, "plan", "light").standard_normal((2, passes, len(burst)))
    gain = light.ambient_share * 2.0 ** (light.ambient_spread_stops * ambient)
    if light.flash is not None:
        store = np.array([0.0 if flash.misfire else flash.store_before for flash in burst])
        flashed = store * 2.0 ** (light.flash.spread_stops * output)
        gain = gain + (1 - light.ambient_share) * flashed
    with np.errstate(divide="ignore"):
        return np.asarray(np.log2(gain))


def _present(leaves_after_frame: int | None, frames: int) -> Bools:
    if leaves_after_frame is None:
        return np.ones(frames, bool)
    return np.arange(frames) <= leaves_after_frame


def _passes_first(values: Doubles) -> Doubles:
    """Turn (frames, passes) or (frames, passes, axes) into (passes, frames) or (axes, ...)."""
    return np.ascontiguousarray(values.T)
