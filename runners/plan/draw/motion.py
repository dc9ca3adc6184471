"""Hands and subject in many passes at once, drawn from the simulator's exact laws.

The motion is needed at the frame times alone. So it is stepped from frame to frame, all passes side
by side, instead of along a fine grid of times.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ....ground.types import Doubles, Indices
from ....simulator.handling.hands import PULSE_HARMONICS, TREMOR_MEMORY_S, Stance
from ....simulator.handling.random_motion import sway_law, tremor_law
from ....simulator.handling.sway import Wind, stem_equation

#: Propagator from one frame to the next, and root of the covariance of the noise in between.
Law = tuple[Doubles, Doubles]

#: So many stems are drawn, each with its natural frequency and damping; the passes share them.
_STEMS = 48
#: A tremor's centre never falls below this, Hz, as in the simulator.
_SLOWEST_TREMOR_HZ = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """Positions and velocities at the frame times, shape (frames, passes, axes)."""

    position: Doubles
    velocity: Doubles

    def at(self, frames: Indices) -> Moves:
        """Return the moves in some of the frames."""
        return Moves(self.position[frames], self.velocity[frames])


def draw_sway_at(
    rng: np.random.Generator,
    times_s: Doubles,
    passes: int,
    *,
    rms: npt.ArrayLike,
    corner_hz: float,
    from_zero: bool,
) -> Moves:
    """Draw the sway of many passes at some times.

    See `simulator.handling.random_motion.draw_sway`.
    """
    rms, rate = np.asarray(rms, dtype=float), 2 * np.pi * corner_hz
    states = rng.standard_normal((len(times_s), 2, passes, rms.size))
    if from_zero:
        states[0, 0] = 0.0  # framed here: only the velocity is random
    laws = _by_gap(times_s, lambda gap_s: _law(*sway_law(rate, gap_s)))
    run_from_frame_to_frame(laws, np.eye(2), states)
    return Moves(rms * states[:, 0], rms * rate * states[:, 1])


def draw_tremor_at(
    rng: np.random.Generator, times_s: Doubles, passes: int, *, stance: Stance, rms: npt.ArrayLike
) -> Moves:
    """Draw the tremor of many passes at some times.

    See `simulator.handling.random_motion.draw_tremor`. Each pass has its own centre, which
    wanders from frame to frame.
    """
    rms, decay = np.asarray(rms, dtype=float), 2 * np.pi * stance.tremor_half_width_hz
    turn = 2 * np.pi * _tremor_centres_hz(rng, times_s, passes, stance)[..., np.newaxis]
    states = rng.standard_normal((len(times_s), 2, passes, rms.size))
    laws = [
        _law(*_matrix_first(tremor_law(after, decay, gap_s)))
        for after, gap_s in zip(turn[1:], np.diff(times_s), strict=True)
    ]
    _, first = _matrix_first(tremor_law(turn[0], decay, 0.0))
    run_from_frame_to_frame(laws, first, states)
    return Moves(rms * states[:, 0], rms * (turn * states[:, 1] - decay * states[:, 0]))


def draw_stem_at(
    rng: np.random.Generator, times_s: Doubles, passes: int, *, wind: Wind, held: float
) -> Moves:
    """Draw the swaying of many subjects at some times, starting from their nominal place."""
    rms = held * np.array(wind.rms_mm)
    if not rms.any():
        return Moves(*np.zeros((2, len(times_s), passes, 3)))
    natural_hz = rng.uniform(*wind.natural_hz, (_STEMS, 3))
    drift, covariance = _stems(natural_hz, rng.uniform(*wind.damping, (_STEMS, 3)), wind)
    rates, modes = np.linalg.eig(drift)
    back = np.linalg.inv(modes)

    def law(gap_s: float) -> Law:
        step = ((modes * np.exp(rates * gap_s)[..., np.newaxis, :]) @ back).real
        return _law(*_matrix_first((step, covariance)))

    share = -(-passes // _STEMS)
    states = rng.standard_normal((len(times_s), 3, share, _STEMS, 3))
    states[0, 0] = 0.0  # starts from its nominal place: only its velocity is random
    run_from_frame_to_frame(
        _by_gap(times_s, law), np.moveaxis(covariance, (-2, -1), (0, 1)), states
    )
    shape = (len(times_s), share * _STEMS, 3)
    place = (rms * states[:, 0]).reshape(shape)[:, :passes]
    speed = (rms * 2 * np.pi * natural_hz * states[:, 1]).reshape(shape)[:, :passes]
    return _gusty(rng, times_s, Moves(place, speed), wind)


def draw_pulse_at(
    rng: np.random.Generator, times_s: Doubles, passes: int, *, stance: Stance
) -> Moves:
    """Draw the heart pulse of many passes at some times, mm."""
    axis = rng.standard_normal((passes, 3))
    axis *= 1e-3 * stance.pulse_um * np.sqrt(3) / np.linalg.norm(axis, axis=1, keepdims=True)
    sizes = np.array(PULSE_HARMONICS) * np.sqrt(2 / np.sum(np.square(PULSE_HARMONICS)))
    rates = 2 * np.pi * stance.pulse_hz * np.arange(1, len(sizes) + 1)
    start = rng.uniform(0, 2 * np.pi, (len(sizes), passes))
    # By the sine of a sum, no sine has to be taken for each frame of each pass.
    sine, cosine = np.sin(np.outer(times_s, rates)), np.cos(np.outer(times_s, rates))
    up, aside = sizes[:, np.newaxis] * np.sin(start), sizes[:, np.newaxis] * np.cos(start)
    wave = sine @ aside + cosine @ up
    speed = (rates * cosine) @ aside - (rates * sine) @ up
    return Moves(wave[..., np.newaxis] * axis, speed[..., np.newaxis] * axis)


def run_from_frame_to_frame(laws: list[Law], covariance: Doubles, states: Doubles) -> None:
    """Turn standard normal numbers into the states of linear motions, in place.

    Parameters
    ----------
    laws : list of (step, root), arrays (n, n, ...)
        One for each frame after the first.
    covariance : array (n, n, ...)
        Of the first state.
    states : array (frames, n, ...)
        Independent standard normal numbers, turned into the states.
    """
    states[0] = _times(_cholesky(covariance), states[0])
    for frame, (step, root) in enumerate(laws, start=1):
        states[frame] = _times(root, states[frame])
        states[frame] += _times(step, states[frame - 1])


def _law(step: Doubles, covariance: Doubles) -> Law:
    """Return the law whose noise makes up for what the step loses of the covariance."""
    kept = np.einsum("ij...,jk...,lk...->il...", step, covariance, step)
    return step, _cholesky(covariance - kept)


def _by_gap(times_s: Doubles, law: Callable[[float], Law]) -> list[Law]:
    """Return the law of every gap between frames; equal gaps share one."""
    gaps = [round(float(gap_s), 9) for gap_s in np.diff(times_s)]
    laws = {gap_s: law(gap_s) for gap_s in set(gaps)}
    return [laws[gap_s] for gap_s in gaps]


def _times(matrix: Doubles, vector: Doubles) -> Doubles:
    """Multiply matrices (n, n, ...) with vectors (n, ...)."""
    rows = [sum(matrix[i, j] * vector[j] for j in range(len(vector))) for i in range(len(vector))]
    return np.stack(rows)


def _cholesky(matrix: Doubles) -> Doubles:
    """Return the Cholesky factors of positive semidefinite matrices (n, n, ...)."""
    lower = np.zeros_like(matrix)
    for i in range(len(matrix)):
        for j in range(i + 1):
            left = matrix[i, j] - (lower[i, :j] * lower[j, :j]).sum(axis=0)
            lower[i, j] = np.sqrt(np.maximum(left, 0.0)) if i == j else left / lower[j, j]
    return lower


def _matrix_first(matrices: tuple[Doubles, Doubles]) -> tuple[Doubles, Doubles]:
    """Bring the two axes of two matrices to the front."""
    one, other = (np.moveaxis(matrix, (-2, -1), (0, 1)) for matrix in matrices)
    return one, other


def _tremor_centres_hz(
    rng: np.random.Generator, times_s: Doubles, passes: int, stance: Stance
) -> Doubles:
    """Draw where the tremor's resonance lies in each frame and pass, Hz: an exact slow drift."""
    kicks = rng.standard_normal((len(times_s), passes))
    for frame, gap_s in enumerate(np.diff(times_s), start=1):
        keep = np.exp(-gap_s / TREMOR_MEMORY_S)
        kicks[frame] = keep * kicks[frame - 1] + np.sqrt(1 - keep**2) * kicks[frame]
    return np.maximum(stance.tremor_hz + stance.tremor_hz_spread * kicks, _SLOWEST_TREMOR_HZ)


def _stems(natural_hz: Doubles, damping: Doubles, wind: Wind) -> tuple[Doubles, Doubles]:
    """Return drift and unit covariance of stems, each shape (stems, axes, 3, 3)."""
    drift, covariance = np.empty((2, *natural_hz.shape, 3, 3))
    for place in np.ndindex(natural_hz.shape):
        rate_hz, fading = float(natural_hz[place]), float(damping[place])
        drift[place], whole = stem_equation(rate_hz, fading, wind.push_hz)
        covariance[place] = whole / whole[0, 0]
    return drift, covariance


def _gusty(rng: np.random.Generator, times_s: Doubles, moves: Moves, wind: Wind) -> Moves:
    """Let the swaying swell with sqrt(1 - g + g e^2), e a slow motion of unit rms."""
    if wind.gustiness == 0:
        return moves
    passes = moves.position.shape[1]
    gust = draw_sway_at(rng, times_s, passes, rms=[1.0], corner_hz=wind.gust_hz, from_zero=False)
    swell = np.sqrt(1 - wind.gustiness + wind.gustiness * gust.position**2)
    growth = wind.gustiness * gust.position * gust.velocity / np.maximum(swell, 1e-9)
    return Moves(moves.position * swell, moves.velocity * swell + moves.position * growth)
