"""Many drawn passes over a subject: where camera and subject are, and which frames count."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ....ground.types import Bools, Doubles, Indices
from ....simulator.blur.smear import exposed
from ....simulator.handling.approach import course_mm, planned_mm
from ....simulator.handling.ends import Ends, lasts_s, true_length_mm
from ....simulator.handling.flash import Flash, fire
from ....simulator.handling.hands import Stance
from ....simulator.handling.light import Light
from ....simulator.shooting.shoot import USABLE_GAIN_STOPS, USABLE_SMEAR_PX
from ....simulator.streams import stream
from .conditions import Conditions, Framing
from .motion import Moves, draw_pulse_at, draw_stem_at, draw_sway_at, draw_tremor_at
from .way import Way, goes_in_steps

#: Passes that are drawn at once.
_CHUNK = 480
#: Times that agree to so many decimals of a second are one.
_TIME_DIGITS = 9
#: Which passes: some rows.
Rows = slice | Indices


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
    ends : Ends
        By how much each pass misses its start and its end, arrays (passes,).
    smear_px : array (passes, frames)
        Rms image motion during the exposure.
    gain_stops : array (passes, frames)
        Light over the nominal light; -inf for none.
    misfires : array (frames,)
        Whether the flash fails to fire; the same in all passes.
    strayed : array (passes, frames)
        Whether an edge of the subject has left the picture.
    usable : array (passes, frames)
        Whether the frame is fit for a merge: not smeared, dark, strayed or without the subject.
    """

    times_s: Doubles
    along_mm: Doubles
    aside_mm: Doubles
    stop_error: Doubles
    ends: Ends
    smear_px: Doubles
    gain_stops: Doubles
    misfires: Bools
    strayed: Bools
    usable: Bools

    def planes_mm(self, way: Way) -> Doubles:
        """Return z of the planes of focus in the subject, mm, shape (passes, all drawn frames)."""
        approach = way.approach
        start_mm = approach.start_mm + np.asarray(self.ends.start_mm)[:, np.newaxis]
        if not goes_in_steps(approach):
            length_mm = true_length_mm(approach, self.ends)
            length_mm = length_mm[:, np.newaxis] if length_mm.ndim else length_mm
            return self.along_mm + course_mm(
                approach, self.times_s, start_mm=start_mm, length_mm=length_mm
            )
        places = approach.step_mm * np.arange(len(self.times_s))
        planes = self.along_mm + start_mm + places
        if approach.step_error_mm > 0:
            planes += approach.step_error_mm * self.stop_error
        return np.asarray(planes)

    def taken(self, way: Way) -> Bools:
        """Return which frames each pass has, shape (passes, all drawn frames)."""
        planned_s = float(self.times_s[way.frames - 1])
        lasts = lasts_s(way.approach, self.ends, planned_s=planned_s)
        lasts = np.broadcast_to(lasts, len(self.along_mm))[:, np.newaxis]
        taken = self.times_s <= lasts * (1 + 1e-9)
        taken[:, 0] = True
        return np.asarray(taken)

    def meant_mm(self, way: Way) -> Doubles:
        """Return where the planes of focus are meant to be, mm, shape (frames of the way,)."""
        exact, frames = replace(way.approach, step_error_mm=0.0), way.frames
        return planned_mm(exact, self.times_s[:frames], np.arange(frames), seed=0, scene="plan")

    def rows(self, which: Rows) -> Passes:
        """Return some of the passes alone."""
        ends = replace(
            self.ends,
            start_mm=np.asarray(self.ends.start_mm)[which],
            stop_mm=np.asarray(self.ends.stop_mm)[which],
        )
        return replace(
            self,
            along_mm=self.along_mm[which],
            aside_mm=self.aside_mm[:, which],
            stop_error=self.stop_error[which],
            ends=ends,
            smear_px=self.smear_px[which],
            gain_stops=self.gain_stops[which],
            strayed=self.strayed[which],
            usable=self.usable[which],
        )

    def until(self, frames: int) -> Passes:
        """Return the passes with their first frames alone."""
        return replace(
            self,
            times_s=self.times_s[:frames],
            along_mm=self.along_mm[:, :frames],
            aside_mm=self.aside_mm[:, :, :frames],
            stop_error=self.stop_error[:, :frames],
            smear_px=self.smear_px[:, :frames],
            gain_stops=self.gain_stops[:, :frames],
            misfires=self.misfires[:frames],
            strayed=self.strayed[:, :frames],
            usable=self.usable[:, :frames],
        )


def draw_passes(conditions: Conditions, *, frames: int, passes: int, seed: int = 0) -> Passes:
    """Draw many passes; parameters as of `draw_in_lights`."""
    (drawn,) = draw_in_lights(
        conditions, [conditions.light], frames=[frames], passes=passes, seed=seed
    )
    return drawn


def draw_in_lights(
    conditions: Conditions,
    lights: Sequence[Light],
    *,
    frames: Sequence[int],
    passes: int,
    seed: int = 0,
) -> list[Passes]:
    """Draw many passes, the same moves of hands and subject in each of several lights.

    Parameters
    ----------
    conditions : Conditions
        Its light is not used.
    lights : sequence of Light
    frames : sequence of int
        Frames in each pass, for each light, >= 1.
    passes : int
        Number of passes, >= 1.
    seed : int
        The same seed draws the same passes, and more passes change none of the earlier ones.

    Raises
    ------
    ValueError
        No frame or no pass is asked for.

    Notes
    -----
    Hands and subject follow the simulator's own laws exactly at the frame times of all lights. Two
    things are simpler: a twitch of a part is left out, and a flash carried by the camera does not
    grow brighter as it comes nearer (a fraction of a stop over a pass).
    """
    if min(frames) < 1 or passes < 1:
        raise ValueError(f"frames and passes must be >= 1, got {min(frames)} and {passes}")
    bursts = [
        fire(light, count, seed=seed, scene="plan")
        for light, count in zip(lights, frames, strict=True)
    ]
    times = [np.array([flash.time_s for flash in burst]) for burst in bursts]
    grid = np.unique(np.concatenate(times).round(_TIME_DIGITS))
    places = [np.searchsorted(grid, own.round(_TIME_DIGITS)) for own in times]
    parts: list[list[Passes]] = [[] for _ in lights]
    for chunk in range(-(-passes // _CHUNK)):
        course = _draw_course(conditions, grid, seed=seed, chunk=chunk)
        for part, light, burst, place in zip(parts, lights, bursts, places, strict=True):
            part.append(_passes(conditions, light, burst, course.at(place), (seed, chunk)))
    return [_joined(part).rows(slice(passes)) for part in parts]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Course:
    """How hands and subject move in a chunk of passes, and by how much these miss their ends."""

    slow: Moves
    tremor: Moves
    pulse: Moves
    stem: Moves
    ends: Ends

    def at(self, places: Indices) -> _Course:
        """Return the moves at some of the times."""
        return replace(
            self,
            slow=self.slow.at(places),
            tremor=self.tremor.at(places),
            pulse=self.pulse.at(places),
            stem=self.stem.at(places),
        )


def _draw_course(conditions: Conditions, times: Doubles, *, seed: int, chunk: int) -> _Course:
    stance, wind = conditions.stance, conditions.subject.wind
    rng = stream(seed, "plan", "stem", chunk)
    start, stop = stream(seed, "plan", "pass-ends", chunk).standard_normal((2, _CHUNK))
    return _Course(
        slow=_draw_slow(stance, times, seed=seed, chunk=chunk),
        tremor=_draw_tremor(stance, times, seed=seed, chunk=chunk),
        pulse=_draw_pulse(stance, times, seed=seed, chunk=chunk),
        stem=draw_stem_at(rng, times, _CHUNK, wind=wind, held=stance.held_sway),
        ends=Ends(
            start_mm=stance.start_error_mm * start,
            stop_mm=stance.stop_error_mm * stop,
            reaction_s=stance.reaction_s,
        ),
    )


def _passes(
    conditions: Conditions,
    light: Light,
    burst: list[Flash],
    course: _Course,
    named: tuple[int, int],
) -> Passes:
    """Return a chunk of passes in a light; its seed and its number name the streams."""
    seed, chunk = named
    framing, frames = conditions.framing, len(burst)
    exposures = _exposures(light, burst, tremor_hz=conditions.stance.tremor_hz)
    smear_px = _smear_px(framing, exposures, course)
    gain_stops = _gain_stops(light, burst, seed=seed, chunk=chunk)
    place = course.slow.position + (course.tremor.position + course.pulse.position)
    place[..., :3] -= course.stem.position
    aside_mm = _aside_mm(framing, place)
    strayed = _strayed(framing, aside_mm)
    there = _present(conditions.subject.leaves_after_frame, frames)
    errors = stream(seed, "plan", "step-error", chunk)
    return Passes(
        times_s=np.array([flash.time_s for flash in burst]),
        along_mm=_passes_first(place[..., 2]),
        aside_mm=aside_mm,
        stop_error=_passes_first(errors.standard_normal((frames, _CHUNK))),
        ends=course.ends,
        smear_px=smear_px,
        gain_stops=gain_stops,
        misfires=np.array([flash.misfire for flash in burst]),
        strayed=strayed,
        usable=(smear_px <= USABLE_SMEAR_PX) & (gain_stops >= USABLE_GAIN_STOPS) & ~strayed & there,
    )


def _joined(parts: Sequence[Passes]) -> Passes:
    """Join the chunks of passes in one light."""
    first = parts[0]
    if len(parts) == 1:
        return first
    ends = replace(
        first.ends,
        start_mm=np.concatenate([part.ends.start_mm for part in parts]),
        stop_mm=np.concatenate([part.ends.stop_mm for part in parts]),
    )
    one = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in ("along_mm", "stop_error", "smear_px", "gain_stops", "strayed", "usable")
    }
    aside_mm = np.concatenate([part.aside_mm for part in parts], axis=1)
    return replace(first, ends=ends, aside_mm=aside_mm, **one)


def _draw_slow(stance: Stance, times: Doubles, *, seed: int, chunk: int) -> Moves:
    """Draw the sway: x, y, z in mm, pitch and yaw in mrad."""
    left = 1 - stance.coupling
    rms = [left * size for size in stance.sway_mm] + [stance.rotation_mrad] * 2
    if not any(rms):
        return Moves(*np.zeros((2, len(times), _CHUNK, 5)))
    return draw_sway_at(
        stream(seed, "plan", "hand-sway", chunk),
        times,
        _CHUNK,
        rms=rms,
        corner_hz=stance.sway_hz,
        from_zero=True,
    )


def _draw_tremor(stance: Stance, times: Doubles, *, seed: int, chunk: int) -> Moves:
    """Draw the tremor, columns as of the sway."""
    rms = [stance.tremor_um * 1e-3] * 3 + [stance.rotation_tremor_mrad] * 2
    if not any(rms):
        return Moves(*np.zeros((2, len(times), _CHUNK, 5)))
    rng = stream(seed, "plan", "hand-tremor", chunk)
    return draw_tremor_at(rng, times, _CHUNK, stance=stance, rms=rms)


def _draw_pulse(stance: Stance, times: Doubles, *, seed: int, chunk: int) -> Moves:
    """Draw the heart's pulse, columns as of the sway."""
    moves = Moves(*np.zeros((2, len(times), _CHUNK, 5)))
    if stance.pulse_um:
        rng = stream(seed, "plan", "heart-pulse", chunk)
        pulse = draw_pulse_at(rng, times, _CHUNK, stance=stance)
        moves.position[..., :3] = pulse.position
        moves.velocity[..., :3] = pulse.velocity
    return moves


def _aside_mm(framing: Framing, place: Doubles) -> Doubles:
    """Return where the picture's middle lies in the plane of focus, mm, (2, passes, frames)."""
    return np.stack([one.T for one in _across_down(framing, place)])


def _across_down(framing: Framing, moved: Doubles) -> Doubles:
    """Return what motions x, y, z, pitch, yaw (..., 5) do across and down in focus, mm."""
    per_mrad = 1e-3 * framing.distance_mm
    across = moved[..., 0] + per_mrad * moved[..., 4]
    down = moved[..., 1] - per_mrad * moved[..., 3]
    return np.stack([across, down])


def _strayed(framing: Framing, aside_mm: Doubles) -> Bools:
    """Return whether an edge of the subject has left the picture, shape (passes, frames)."""
    across, down = np.abs(aside_mm)
    return np.asarray((across > framing.room_across_mm) | (down > framing.room_down_mm))


def _smear_px(framing: Framing, exposures: Doubles, course: _Course) -> Doubles:
    """Return the rms image motion in the exposures, px, shape (passes, frames).

    Hands, pulse and stem move straight, to first order, and spread over velocity times the spread
    of the exposure in time. A tremor may turn round within the exposure: what of it is odd about
    the exposure's middle goes with its velocity and adds to the straight motion, what is even goes
    with its place, and so does not agree with the other.
    """
    spread, odd, even = (one[:, np.newaxis] for one in exposures)
    straight = course.slow.velocity + course.pulse.velocity
    speed = _across_down(framing, straight) + odd * _across_down(framing, course.tremor.velocity)
    speed -= np.moveaxis(course.stem.velocity[..., :2], -1, 0)
    turned = even * _across_down(framing, course.tremor.position)
    squares = np.square(spread * speed) + np.square(turned)
    return _passes_first(framing.px_per_mm * np.sqrt(squares.sum(axis=0)))


def _exposures(light: Light, burst: list[Flash], *, tremor_hz: float) -> Doubles:
    """Return `_exposure_spread` of every frame, shape (3, frames)."""
    # All exposures of a burst have one course of light, but those whose flash failed another.
    kinds = {flash.misfire: flash for flash in reversed(burst)}
    spreads = {
        misfire: _exposure_spread(light, flash, tremor_hz=tremor_hz)
        for misfire, flash in kinds.items()
    }
    return np.array([spreads[flash.misfire] for flash in burst]).T


def _exposure_spread(light: Light, flash: Flash, *, tremor_hz: float) -> tuple[float, float, float]:
    """Return how an exposure smears.

    Returns
    -------
    spread_s : float
        Rms spread of its light in time.
    odd : float
        What a tremor smears in it that is at its fastest in the middle, over what a straight motion
        of that speed does.
    even : float
        What a tremor smears in it that turns round in the middle, over how far out it does.
    """
    times, weights = exposed(light, flash)
    times = times - weights @ times
    spread = _spread(times, weights)
    rate = 2 * np.pi * tremor_hz
    if spread * rate < 1e-3:
        return spread, 1.0, 0.0
    sine, cosine = np.sin(rate * times), np.cos(rate * times)
    return spread, _spread(sine, weights) / (rate * spread), _spread(cosine, weights)


def _spread(values: Doubles, weights: Doubles) -> float:
    """Return the rms spread of values whose weights sum to 1."""
    mean = float(weights @ values)
    return math.sqrt(float(weights @ np.square(values - mean)))


def _gain_stops(light: Light, burst: list[Flash], *, seed: int, chunk: int) -> Doubles:
    """Draw the light in every frame over the nominal light, stops, shape (passes, frames)."""
    numbers = stream(seed, "plan", "light", chunk).standard_normal((len(burst), 2, _CHUNK))
    output, ambient = (_passes_first(numbers[:, kind]) for kind in (0, 1))
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
