"""Random motion of damped oscillators kicked by white noise, exact on a fine grid of knots.

A motion with poles at ``-decay +- i turn`` covers every shape the hands need: ``turn = 0`` is the
critically damped sway whose spectrum falls as 1 / (1 + (f/f0)^2)^2, a small ``decay`` is a tremor.
It is a linear stochastic differential equation, so the step from knot to knot is drawn from its
exact Gaussian law, position and velocity together. Between knots a cubic follows both ends; what
it leaves out is below 1 % of the motion's rms for tremor and below 0.01 % for sway.

So a drawn motion is a plain function of time: frames, exposures and other frame counts look at the
same motion, and asking for more of it changes nothing that came before.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

Array = npt.NDArray[np.float64]

KNOT_S = 0.004
"""Seconds between knots: 30 in one turn of an 8 Hz tremor."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Motion:
    """A drawn motion of several axes, as positions and velocities at the knots.

    Parameters
    ----------
    position, velocity : ndarray, shape (knots, axes)
        In any unit, and that unit per second. Knot k stands at k * KNOT_S seconds.
    """

    position: Array
    velocity: Array

    def at(self, times_s: npt.ArrayLike) -> Array:
        """Return the positions at some times, shape (times, axes)."""
        knot, u = self._locate(times_s)
        before, after = self.position[knot], self.position[knot + 1]
        return (
            before
            + (3 - 2 * u) * u**2 * (after - before)
            + KNOT_S * u * (1 - u) ** 2 * self.velocity[knot]
            - KNOT_S * u**2 * (1 - u) * self.velocity[knot + 1]
        )

    def velocity_at(self, times_s: npt.ArrayLike) -> Array:
        """Return the velocities at some times, shape (times, axes), unit per second."""
        knot, u = self._locate(times_s)
        rise = (self.position[knot + 1] - self.position[knot]) / KNOT_S
        return (
            6 * u * (1 - u) * rise
            + (1 - u) * (1 - 3 * u) * self.velocity[knot]
            - u * (2 - 3 * u) * self.velocity[knot + 1]
        )

    def _locate(self, times_s: npt.ArrayLike) -> tuple[npt.NDArray[np.intp], Array]:
        knots = np.atleast_1d(np.asarray(times_s, dtype=float)) / KNOT_S
        last = len(self.position) - 1
        if knots.size and not (knots.min() >= 0 and knots.max() <= last):
            raise ValueError(
                f"times_s must lie in 0 .. {last * KNOT_S:g} s, the part drawn, "
                f"got {knots.min() * KNOT_S:g} .. {knots.max() * KNOT_S:g} s"
            )
        below = np.minimum(knots.astype(np.intp), last - 1)
        return below, (knots - below)[:, np.newaxis]


def knots_until(until_s: float) -> int:
    """Return how many knots reach a time, s; at least two."""
    if not 0 <= until_s < np.inf:
        raise ValueError(f"until_s must be >= 0 and finite, got {until_s}")
    return int(np.ceil(until_s / KNOT_S)) + 2


def draw_motion(
    rng: np.random.Generator,
    knots: int,
    *,
    rms: npt.ArrayLike,
    decay: npt.ArrayLike,
    turn: npt.ArrayLike,
    from_zero: bool = False,
) -> Motion:
    """Draw a stationary motion of several axes.

    Parameters
    ----------
    rng : numpy.random.Generator
        Its own stream; a longer draw starts with the shorter one.
    knots : int
        Number of knots, >= 2.
    rms : array_like, shape (axes,)
        Root mean square of the position, any unit.
    decay : array_like, shape (axes,)
        Decay rate of the oscillator, 1/s, > 0.
    turn : array_like, shape (axes,) or (knots, 1)
        Turning rate, rad/s, >= 0; 0 is critically damped. It may change from knot to knot.
    from_zero : bool
        Start from position zero (with a stationary velocity) instead of anywhere.
    """
    rms = np.asarray(rms, dtype=float)
    kicks = rng.standard_normal((knots, rms.size, 2))
    if from_zero:
        kicks[0, :, 0] = 0.0
    decay, turn = np.broadcast_arrays(np.asarray(decay, dtype=float), np.asarray(turn, dtype=float))
    natural = np.hypot(decay, turn)
    state = rms[:, np.newaxis] * run_states(_step_matrix(decay, turn), np.eye(2), kicks)
    return Motion(position=state[..., 0], velocity=state[..., 1] * natural)


def motion_psd(frequency_hz: npt.ArrayLike, *, rms: float, decay: float, turn: float) -> Array:
    """Return the one-sided power spectral density of the position, unit^2 / Hz."""
    omega2 = (2 * np.pi * np.asarray(frequency_hz, dtype=float)) ** 2
    natural2 = decay**2 + turn**2
    return 8 * decay * natural2 * rms**2 / ((natural2 - omega2) ** 2 + 4 * decay**2 * omega2)


def drift(
    rng: np.random.Generator, knots: int, *, mean: float, rms: float, memory_s: float
) -> Array:
    """Draw a slowly wandering value (exact first-order process) at the knots, shape (knots,)."""
    kicks = rng.standard_normal(knots)
    keep = np.exp(-KNOT_S / memory_s)
    kicks[1:] *= np.sqrt(1 - keep**2)
    return mean + rms * lfilter([1.0], [1.0, -keep], kicks)


def _step_matrix(decay: Array, turn: Array) -> Array:
    """Propagator over one knot of (position, velocity / natural rate), shape (..., 2, 2).

    In these coordinates the stationary covariance is the unit matrix times rms squared, so a
    slowly changing turning rate leaves the rms untouched.
    """
    fade = np.exp(-decay * KNOT_S)
    cosine = fade * np.cos(turn * KNOT_S)
    sine = fade * KNOT_S * np.sinc(turn * KNOT_S / np.pi)
    natural = np.hypot(decay, turn)
    rows = [
        np.stack([cosine + decay * sine, natural * sine], axis=-1),
        np.stack([-natural * sine, cosine - decay * sine], axis=-1),
    ]
    return np.stack(rows, axis=-2)


def run_states(step: Array, covariance: Array, kicks: Array) -> Array:
    """Run state = step @ state + noise so that every state has the given covariance.

    Parameters
    ----------
    step : ndarray, broadcastable to shape (knots, axes, n, n)
        Propagator from each knot to the next (that of knot 0 is not used).
    covariance : ndarray, shape (n, n) or (axes, n, n)
        Stationary covariance of the states.
    kicks : ndarray, shape (knots, axes, n)
        Independent standard normal numbers.

    Returns
    -------
    ndarray, shape (knots, axes, n)
    """
    spread = np.linalg.cholesky(covariance - step @ covariance @ np.swapaxes(step, -1, -2))
    states = spread @ kicks[..., np.newaxis]
    states[0] = np.linalg.cholesky(covariance) @ kicks[0][..., np.newaxis]
    steps = np.broadcast_to(step, (*kicks.shape, kicks.shape[-1]))
    for step_here, before, state in zip(steps[1:], states[:-1], states[1:], strict=True):
        state += step_here @ before
    return states[..., 0]
