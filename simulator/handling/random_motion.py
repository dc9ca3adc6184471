"""Random motions drawn exactly on a fine grid of knots: sway, tremor, slow drift.

Sway is a critically damped oscillator kicked by white noise, whose spectrum falls as
1 / (1 + (f/f0)^2)^2; tremor is a lightly damped one whose centre wanders. Both are linear
stochastic differential equations, so the step from knot to knot is drawn from its exact Gaussian
law, position and velocity together. Between knots a cubic follows both ends; what it leaves out
is below 1 % of the motion's rms for tremor and below 0.01 % for sway.

So a drawn motion is a plain function of time: frames, exposures and other frame counts look at the
same motion, and asking for more of it changes nothing that came before.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import numpy as np
import numpy.typing as npt
from scipy.linalg import schur

from ...ground.types import Doubles

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

    position: Doubles
    velocity: Doubles

    def at(self, times_s: npt.ArrayLike) -> Doubles:
        """Return the positions at some times, shape (times, axes)."""
        knot, u = self._locate(times_s)
        before, after = self.position[knot], self.position[knot + 1]
        return (
            before
            + (3 - 2 * u) * u**2 * (after - before)
            + KNOT_S * u * (1 - u) ** 2 * self.velocity[knot]
            - KNOT_S * u**2 * (1 - u) * self.velocity[knot + 1]
        )

    def velocity_at(self, times_s: npt.ArrayLike) -> Doubles:
        """Return the velocities at some times, shape (times, axes), unit per second."""
        knot, u = self._locate(times_s)
        rise = (self.position[knot + 1] - self.position[knot]) / KNOT_S
        return (
            6 * u * (1 - u) * rise
            + (1 - u) * (1 - 3 * u) * self.velocity[knot]
            - u * (2 - 3 * u) * self.velocity[knot + 1]
        )

    def _locate(self, times_s: npt.ArrayLike) -> tuple[npt.NDArray[np.intp], Doubles]:
        knots = np.atleast_1d(np.asarray(times_s, dtype=float)) / KNOT_S
        last = len(self.position) - 1
        if knots.size and not (knots.min() >= 0 and knots.max() <= last):
            raise ValueError(
                f"times_s must lie in 0 .. {last * KNOT_S:g} s, the part drawn, "
                f"got {knots.min() * KNOT_S:g} .. {knots.max() * KNOT_S:g} s"
            )
        below = np.minimum(knots.astype(np.intp), last - 1)
        return below, (knots - below)[:, np.newaxis]


#: Longest pass, s: a hand is held still for seconds, a rail runs for an hour at most. Memory and
#: time grow with it.
LONGEST_S = 3 * 3600.0


def knots_until(until_s: float) -> int:
    """Return how many knots reach a time, s; at least two."""
    if LONGEST_S < until_s < np.inf:
        raise ValueError(
            f"frames, cadence and recycling time: got a pass of {until_s:.4g} s, "
            f"allowed up to {LONGEST_S:g}"
        )
    if not 0 <= until_s < np.inf:
        raise ValueError(f"until_s must be >= 0 and finite, got {until_s}")
    return int(np.ceil(until_s / KNOT_S)) + 2


def draw_sway(
    rng: np.random.Generator,
    knots: int,
    *,
    rms: npt.ArrayLike,
    corner_hz: float,
    from_zero: bool = False,
) -> Motion:
    """Draw a stationary, critically damped motion of several axes.

    Parameters
    ----------
    rng : numpy.random.Generator
        Its own stream; a longer draw starts with the shorter one.
    knots : int
        Number of knots, >= 2.
    rms : array_like, shape (axes,)
        Root mean square of the position, any unit.
    corner_hz : float
        Corner f0 of the spectrum 1 / (1 + (f/f0)^2)^2, Hz, > 0.
    from_zero : bool
        Start from position zero (with a stationary velocity) instead of anywhere.
    """
    rms, rate = np.asarray(rms, dtype=float), 2 * np.pi * corner_hz
    kicks = rng.standard_normal((knots, rms.size, 2))
    if from_zero:
        kicks[0, :, 0] = 0.0
    states = rms[:, np.newaxis] * run_states(*sway_law(rate, KNOT_S), kicks)
    return Motion(position=states[..., 0], velocity=rate * states[..., 1])


def draw_tremor(
    rng: np.random.Generator,
    centre_hz: Doubles,
    *,
    rms: npt.ArrayLike,
    half_width_hz: float,
) -> Motion:
    """Draw a stationary resonance of several axes, whose centre may wander slowly.

    Parameters
    ----------
    rng : numpy.random.Generator
        Its own stream; a longer draw starts with the shorter one.
    centre_hz : ndarray, shape (knots,)
        Centre of the resonance at every knot, Hz, > 0. It must change little in the memory of
        the resonance, 1 / (2 pi half_width_hz).
    rms : array_like, shape (axes,)
        Root mean square of the position, any unit.
    half_width_hz : float
        Half-width of the resonance, Hz, > 0.
    """
    rms, decay = np.asarray(rms, dtype=float), 2 * np.pi * half_width_hz
    turn = 2 * np.pi * centre_hz
    kicks = rng.standard_normal((len(turn), rms.size, 2))
    # z = (velocity + decay * position) / turn + i * position turns and fades, and nothing else:
    # dz = (-decay + i turn) z dt + real noise. Seen from the turning frame it only fades.
    frame = np.exp(1j * np.cumsum(turn) * KNOT_S)
    pushes = _tremor_pushes(kicks, decay, turn) / frame[:, np.newaxis]
    fade = float(np.exp(-decay * KNOT_S))
    turning = rms * frame[:, np.newaxis] * _recursive(fade, pushes)
    position = turning.imag
    return Motion(position=position, velocity=turn[:, np.newaxis] * turning.real - decay * position)


def drift(
    rng: np.random.Generator, knots: int, *, mean: float, rms: float, memory_s: float
) -> Doubles:
    """Draw a slowly wandering value (exact first-order process) at the knots, shape (knots,)."""
    kicks = rng.standard_normal(knots)
    keep = float(np.exp(-KNOT_S / memory_s))
    kicks[1:] *= np.sqrt(1 - keep**2)
    return mean + rms * _recursive(keep, kicks)


def sway_law(rate: float, seconds: float) -> tuple[Doubles, Doubles]:
    """Return step and covariance of a unit sway's state (position, velocity / rate).

    Parameters
    ----------
    rate : float
        2 pi times the corner frequency, 1/s.
    seconds : float
        Time that the step bridges.

    Returns
    -------
    step, covariance : ndarray, shape (2, 2)
        The state after the step is ``step @ state`` plus noise that keeps the covariance.
    """
    grown = np.eye(2) + rate * seconds * np.array([[1, 1], [-1, -1]])
    return np.exp(-rate * seconds) * grown, np.eye(2)


def tremor_law(turn: Doubles, decay: float, seconds: float) -> tuple[Doubles, Doubles]:
    """Return step and covariance of a unit tremor's state (position, real part of z).

    Here z = (velocity + decay * position) / turn + i * position.

    Parameters
    ----------
    turn : ndarray, any shape
        2 pi times the centre frequency, 1/s.
    decay : float
        2 pi times the half-width, 1/s.
    seconds : float
        Time that the step bridges.

    Returns
    -------
    step, covariance : ndarray, shape of `turn` and then (2, 2)
    """
    lean = decay / turn
    covariance = np.array([[np.ones_like(turn), lean], [lean, 1 + 2 * lean**2]])
    cosine, sine = np.cos(turn * seconds), np.sin(turn * seconds)
    step = np.exp(-decay * seconds) * np.array([[cosine, sine], [-sine, cosine]])
    return np.moveaxis(step, (0, 1), (-2, -1)), np.moveaxis(covariance, (0, 1), (-2, -1))


def run_states(step: Doubles, covariance: Doubles, kicks: Doubles) -> Doubles:
    """Run state = step @ state + noise so that every state has the given covariance.

    Parameters
    ----------
    step : ndarray, shape (n, n)
        Propagator from each knot to the next.
    covariance : ndarray, shape (n, n)
        Stationary covariance of the states.
    kicks : ndarray, shape (knots, axes, n)
        Independent standard normal numbers.

    Returns
    -------
    ndarray, shape (knots, axes, n)
    """
    pushes = kicks @ np.linalg.cholesky(covariance - step @ covariance @ step.T).T
    pushes[0] = kicks[0] @ np.linalg.cholesky(covariance).T
    # In the triangular (Schur) frame each component is driven by later ones only, so it is a
    # first-order filter; unlike a diagonal frame it exists for critical damping too.
    triangle, frame = schur(step, output="complex")
    driven = pushes @ frame.conj()
    turned = np.empty_like(driven)
    for row in range(len(step) - 1, -1, -1):
        drive = driven[..., row]
        drive[1:] += turned[:-1, :, row + 1 :] @ triangle[row, row + 1 :]
        turned[..., row] = _recursive(complex(triangle[row, row]), drive)
    return (turned @ frame.T).real


def _tremor_pushes(kicks: Doubles, decay: float, turn: Doubles) -> npt.NDArray[np.complex128]:
    """Turn normal numbers into the noise that keeps the tremor stationary, shape (knots, axes)."""
    step, covariance = tremor_law(turn, decay, KNOT_S)
    noise = covariance - step @ covariance @ step.transpose(0, 2, 1)
    noise[0] = covariance[0]
    pushes = kicks @ np.linalg.cholesky(noise).transpose(0, 2, 1)
    return pushes[..., 1] + 1j * pushes[..., 0]


def _recursive(keep: complex, pushes: Doubles) -> Doubles:
    """Return the process that keeps a factor of itself from knot to knot and is pushed."""
    # In Python's own numbers: the thousand knots of a pass take a millisecond an axis, where to
    # load a library's recursive filter takes most of a second in each process that renders.
    kind = np.result_type(pushes, keep)
    axes = pushes.astype(kind).reshape(len(pushes), -1)
    made = np.empty_like(axes)
    for axis in range(axes.shape[1]):
        made[:, axis] = list(
            accumulate(axes[:, axis].tolist(), lambda now, push: push + keep * now)
        )
    return made.reshape(pushes.shape)
