"""Sway, quick motion and speed from a camera's course, by likelihood on a grid.

A course is a straight way, a sway that starts from zero when the picture is framed, and a quick
part (tremor, heart pulse, errors of the registration), as in `simulator.handling.hands`. Their
sizes come from the restricted likelihood (H. D. Patterson and R. Thompson, Biometrika 58, 545,
1971) on a grid of the sway's corner, which all axes share, and of quick over slow. Intervals are
of numbers drawn from that likelihood, so that what is uncertain of one size makes another
uncertain too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ...ground.types import Doubles, Indices
from .estimate import Estimate, by_draws

#: Corners that are tried, over the expected one, and rms of the quick part over the slow one's.
_CORNERS = np.exp(np.linspace(-1.6, 1.6, 17))
_RATIOS = 10.0 ** np.linspace(-3, 1, 21)
#: A burst of some seconds hardly tells the corner, so one within a factor of 1.6 is expected
#: (standard deviation of its logarithm; our choice; the shipped stances are within 1.3 of each
#: other).
_CORNER_SPREAD = 0.5
#: Numbers drawn behind an interval.
_DRAWN = 4000
#: Added to the variance of every frame, so that a covariance can be inverted.
_RIDGE = 1e-9


@dataclass(frozen=True, kw_only=True, eq=False)
class AxisFit:
    """Sizes of the parts of the course along one axis.

    Parameters
    ----------
    sway, quick : Estimate
        Rms of the slow and of the quick part, in the axis' unit.
    quick_drawn : array
        Numbers behind the interval of the quick part, drawn together with those of other axes.
    """

    sway: Estimate
    quick: Estimate
    quick_drawn: Doubles


@dataclass(frozen=True, kw_only=True, eq=False)
class MotionFit:
    """Sizes of the parts of a course.

    Parameters
    ----------
    axes : mapping of str to AxisFit
    corner_hz : Estimate
        Of the sway's spectrum.
    speed : Estimate
        Of the straight way, unit of its axis per second.
    """

    axes: Mapping[str, AxisFit]
    corner_hz: Estimate
    speed: Estimate

    def common_quick(self, *names: str) -> Estimate:
        """Return the rms of the quick part over some axes that are alike."""
        fits = [self.axes[name] for name in names]
        value = np.sqrt(np.mean([fit.quick.value**2 for fit in fits]))
        drawn = np.sqrt(np.mean([fit.quick_drawn**2 for fit in fits], axis=0))
        return by_draws(float(value), drawn)


@dataclass(frozen=True, kw_only=True)
class Quick:
    """The shape of the quick part.

    Parameters
    ----------
    hz, half_width_hz : float
        Middle and half-width of its resonance.
    """

    hz: float
    half_width_hz: float


def fit_motion(
    times_s: Doubles,
    courses: Mapping[str, Doubles],
    *,
    moving: str,
    corner_hz: float,
    quick: Quick,
    seed: int = 0,
) -> MotionFit:
    """Take courses apart into a straight way, a sway and a quick part.

    Parameters
    ----------
    times_s : array (frames,)
        From the framing of the picture, s.
    courses : mapping of str to array (frames,)
        One for each axis, in any unit; where each starts does not matter.
    moving : str
        The axis with a straight way.
    corner_hz : float
        Expected corner of the sway.
    quick : Quick
    seed : int
        Of the numbers behind the intervals.

    Raises
    ------
    ValueError
        `moving` is none of the axes.
    """
    if moving not in courses:
        raise ValueError(f"moving must be one of {', '.join(courses)}, got {moving!r}")
    grids = {
        straight: _Grid(times_s, straight=straight, corner_hz=corner_hz, quick=quick)
        for straight in {name == moving for name in courses}
    }
    weighed = {name: grids[name == moving].weigh(course) for name, course in courses.items()}
    expected = -((np.log(_CORNERS) / _CORNER_SPREAD) ** 2) / 2
    corner = _normalised(expected + sum(_summed(found.likelihood) for found in weighed.values()))
    rng = np.random.default_rng(seed)
    rows = rng.choice(len(corner), _DRAWN, p=corner)
    steps = np.log(_CORNERS)
    axes: dict[str, AxisFit] = {}
    for name, found in weighed.items():
        drawn = found.draw(corner, rows, rng)
        axes[name] = drawn.fit(rng)
        if name == moving:
            speed = drawn.speed(rng)
    return MotionFit(
        axes=axes,
        speed=speed,
        corner_hz=by_draws(
            corner_hz * float(np.exp(corner @ steps)),
            corner_hz * np.exp(steps[rows] + _within(steps, rng)),
        ),
    )


class _Grid:
    """Laws of a course for given frame times, one for each corner and ratio on the grid."""

    def __init__(self, times_s: Doubles, *, straight: bool, corner_hz: float, quick: Quick) -> None:
        columns = [np.ones_like(times_s)] + ([times_s] if straight else [])
        design = np.stack(columns, axis=1)
        self.freedom = len(times_s) - design.shape[1]
        fast = quick_law(times_s, quick)
        laws = [
            [sway_law(times_s, corner) + ratio**2 * fast for ratio in _RATIOS]
            for corner in corner_hz * _CORNERS
        ]
        inverse = np.linalg.inv(np.array(laws) + _RIDGE * np.eye(len(times_s)))
        carried = inverse @ design
        normal = carried.swapaxes(-1, -2) @ design
        self.spread = np.linalg.inv(normal)
        self.solve = self.spread @ carried.swapaxes(-1, -2)
        self.project = inverse - carried @ self.solve
        self.constant = np.linalg.slogdet(inverse)[1] - np.linalg.slogdet(normal)[1]

    def weigh(self, course: Doubles) -> _Weighed:
        """Return how likely a course is by every law."""
        squares = np.maximum((self.project @ course) @ course, 1e-30)
        return _Weighed(
            likelihood=(self.constant - self.freedom * np.log(squares)) / 2,
            squares=squares,
            freedom=self.freedom,
            slope=(self.solve @ course)[..., -1],
            slope_spread=np.sqrt(self.spread[..., -1, -1]),
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Weighed:
    """How likely a course is by every law, arrays (corners, ratios).

    ``slope`` is that of the straight way, and ``slope_spread`` its error for a sway of rms one.
    """

    likelihood: Doubles
    squares: Doubles
    freedom: int
    slope: Doubles
    slope_spread: Doubles

    def draw(self, corner: Doubles, rows: Indices, rng: np.random.Generator) -> _Drawn:
        """Draw sizes, given how likely each corner is, and corners drawn by that."""
        inner = np.array([_normalised(row) for row in self.likelihood])
        reached = np.cumsum(inner, axis=1)[rows] < rng.random((len(rows), 1))
        at = rows, np.minimum(reached.sum(axis=1), len(_RATIOS) - 1)
        return _Drawn(
            weighed=self,
            weights=corner[:, np.newaxis] * inner,
            at=at,
            size=np.sqrt(self.squares[at] / rng.chisquare(self.freedom, len(rows))),
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Drawn:
    """Laws drawn by how likely they are, and rms of the sway drawn for each.

    ``weights`` (corners, ratios) is how likely each law is, and ``at`` holds corner and ratio of
    those drawn.
    """

    weighed: _Weighed
    weights: Doubles
    at: tuple[Indices, Indices]
    size: Doubles

    def fit(self, rng: np.random.Generator) -> AxisFit:
        """Return the sizes of sway and quick part."""
        variance = self.weighed.squares / self.weighed.freedom
        steps = np.log(_RATIOS)
        quick = self.size * np.exp(steps[self.at[1]] + _within(steps, rng))
        return AxisFit(
            sway=by_draws(float(np.exp((self.weights * np.log(variance)).sum() / 2)), self.size),
            quick=by_draws(float(np.sqrt((self.weights * variance * _RATIOS**2).sum())), quick),
            quick_drawn=quick,
        )

    def speed(self, rng: np.random.Generator) -> Estimate:
        """Return the slope of the straight way."""
        slope, spread = self.weighed.slope, self.weighed.slope_spread[self.at]
        off = self.size * spread * rng.standard_normal(len(self.size))
        return by_draws(float((self.weights * slope).sum()), slope[self.at] + off)


def sway_law(times_s: Doubles, corner_hz: float) -> Doubles:
    """Return the covariance of a unit sway that is at zero at time zero, shape (n, n).

    Its spectrum is 1 / (1 + (f/f0)^2)^2, so its correlation (1 + w t) exp(-w t), w = 2 pi f0.
    """
    rate = 2 * np.pi * corner_hz
    apart = rate * np.abs(times_s[:, np.newaxis] - times_s)
    since = rate * np.abs(times_s)
    start = (1 + since) * np.exp(-since)
    return np.asarray((1 + apart) * np.exp(-apart) - np.outer(start, start))


def quick_law(times_s: Doubles, quick: Quick) -> Doubles:
    """Return the covariance of a unit resonance, shape (n, n)."""
    turn, fade = 2 * np.pi * quick.hz, 2 * np.pi * quick.half_width_hz
    apart = np.abs(times_s[:, np.newaxis] - times_s)
    swing = np.cos(turn * apart) + fade / turn * np.sin(turn * apart)
    return np.asarray(np.exp(-fade * apart) * swing)


def _normalised(likelihood: Doubles) -> Doubles:
    weights = np.exp(likelihood - likelihood.max())
    return np.asarray(weights / weights.sum())


def _summed(likelihood: Doubles) -> Doubles:
    """Return the logarithm of the likelihood summed over the ratios, shape (corners,)."""
    top = likelihood.max(axis=1)
    return np.asarray(top + np.log(np.exp(likelihood - top[:, np.newaxis]).sum(axis=1)))


def _within(steps: Doubles, rng: np.random.Generator) -> Doubles:
    """Draw where within an even step of the grid each number lies."""
    return np.asarray((steps[1] - steps[0]) * rng.uniform(-0.5, 0.5, _DRAWN))
