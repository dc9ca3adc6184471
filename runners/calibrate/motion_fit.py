"""Sway, quick motion and speed from a camera's course, with intervals by drawing bursts anew.

A course is a straight way, a sway that starts from zero when the picture is framed, and a quick
part (tremor, heart pulse, errors of the registration), as in `simulator.hands`. The sizes are
those of the restricted likelihood (H. D. Patterson and R. Thompson, Biometrika 58, 545, 1971) on
a grid of the sway's corner and of quick over slow; the corner is common to all axes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from runners.calibrate.estimate import Estimate, by_difference, by_ratio

Doubles = npt.NDArray[np.float64]

#: Corners tried, over the expected one, and quick over slow.
_CORNERS = np.exp(np.linspace(-1.6, 1.6, 17))
_RATIOS = 10.0 ** np.linspace(-3, 1, 21)
#: A burst of some seconds hardly tells the corner: sizes within a factor of 1.6 are expected
#: (our choice; the shipped stances are within 1.3 of each other).
_CORNER_SPREAD = 0.5
_DRAWN = 200
_RIDGE = 1e-9


@dataclass(frozen=True, kw_only=True)
class AxisFit:
    """What the course along one axis is made of.

    Parameters
    ----------
    sway, quick : Estimate
        Rms of the slow and of the quick part, in the axis' unit.
    speed : Estimate or None
        Of the straight way, unit per second.
    """

    sway: Estimate
    quick: Estimate
    speed: Estimate | None


@dataclass(frozen=True, kw_only=True)
class MotionFit:
    """What all axes are made of.

    Parameters
    ----------
    axes : mapping of str to AxisFit
    corner_hz : Estimate
        Of the sway's spectrum.
    """

    axes: Mapping[str, AxisFit]
    corner_hz: Estimate


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
    moving: str | None,
    corner_hz: float,
    quick: Quick,
    seed: int = 0,
) -> MotionFit:
    """Take courses apart.

    Parameters
    ----------
    times_s : array (frames,)
        From the framing of the picture, s.
    courses : mapping of str to array (frames,)
        One an axis, in any unit; where each starts does not matter.
    moving : str or None
        The axis with a straight way.
    corner_hz : float
        Expected corner of the sway.
    quick : Quick
    seed : int
        Of the drawn bursts.
    """
    grids = {
        straight: _Grid(times_s, straight=straight, corner_hz=corner_hz, quick=quick)
        for straight in {name == moving for name in courses}
    }
    used = {name: grids[name == moving] for name in courses}
    found = _fit({name: course[np.newaxis] for name, course in courses.items()}, used)
    rng = np.random.default_rng(seed)
    drawn = _fit(
        {
            name: used[name].drawn(
                rng,
                sway=float(found[name][0][0]),
                quick=float(found[name][1][0]),
                corner_hz=float(found["corner"][0][0]),
            )
            for name in courses
        },
        used,
    )
    axes = {}
    for name in courses:
        (sway, quick_size, speed), again = found[name], drawn[name]
        axes[name] = AxisFit(
            sway=by_ratio(float(sway[0]), again[0]),
            quick=by_ratio(float(quick_size[0]), again[1]),
            # Drawn bursts have no straight way, so theirs is the error.
            speed=by_difference(float(speed[0]), speed[0] + again[2]) if name == moving else None,
        )
    return MotionFit(
        axes=axes, corner_hz=by_ratio(float(found["corner"][0][0]), drawn["corner"][0])
    )


class _Grid:
    """Likelihoods of a course over corners and ratios, for given frame times."""

    def __init__(self, times_s: Doubles, *, straight: bool, corner_hz: float, quick: Quick) -> None:
        self.times_s, self.quick = times_s, quick
        self.corners_hz = corner_hz * _CORNERS
        columns = [np.ones_like(times_s)] + ([times_s] if straight else [])
        design = np.stack(columns, axis=1)
        self.freedom = len(times_s) - design.shape[1]
        fast = quick_law(times_s, quick)
        laws = [
            sway_law(times_s, corner) + ratio**2 * fast
            for corner in self.corners_hz
            for ratio in _RATIOS
        ]
        inverse = np.linalg.inv(np.stack(laws) + _RIDGE * np.eye(len(times_s)))
        carried = inverse @ design
        normal = design.T @ carried
        self.solve = np.linalg.solve(normal, carried.transpose(0, 2, 1))
        self.project = inverse - carried @ self.solve
        self.constant = np.linalg.slogdet(inverse)[1] - np.linalg.slogdet(normal)[1]

    def drawn(
        self, rng: np.random.Generator, *, sway: float, quick: float, corner_hz: float
    ) -> Doubles:
        """Draw courses without a straight way, shape (drawn, frames)."""
        law = sway**2 * sway_law(self.times_s, corner_hz)
        law += quick**2 * quick_law(self.times_s, self.quick)
        size = float(np.trace(law)) / len(law)
        root = np.linalg.cholesky(law + _RIDGE * size * np.eye(len(law)))
        return np.asarray(rng.standard_normal((_DRAWN, len(law))) @ root.T)

    def likelihood(self, courses: Doubles) -> tuple[Doubles, Doubles]:
        """Return log-likelihood and variance, shape (courses, corners, ratios)."""
        shape = (len(courses), len(self.corners_hz), len(_RATIOS))
        left = np.einsum("bi,cij->cbj", courses, self.project, optimize=True)
        squares = np.einsum("cbj,bj->bc", left, courses)
        squares = np.maximum(squares, 1e-30)
        likelihood = (self.constant - self.freedom * np.log(squares)) / 2
        return likelihood.reshape(shape), (squares / self.freedom).reshape(shape)

    def speed(self, courses: Doubles, weights: Doubles) -> Doubles:
        """Return the slope of the straight way, averaged over the grid; 0 without one."""
        if self.solve.shape[1] == 1:
            return np.zeros(len(courses))
        slopes = courses @ self.solve[:, 1].T
        return np.asarray((slopes * weights.reshape(len(courses), -1)).sum(axis=1))


def _fit(
    courses: Mapping[str, Doubles], grids: Mapping[str, _Grid]
) -> dict[str, tuple[Doubles, ...]]:
    """Return sway, quick part and speed of every axis, and the corner of all."""
    expected = -((np.log(_CORNERS) / _CORNER_SPREAD) ** 2) / 2
    found = {name: grids[name].likelihood(values) for name, values in courses.items()}
    inner = {name: _normalised(likelihood, axis=2) for name, (likelihood, _) in found.items()}
    total = expected + sum(_summed(likelihood) for likelihood, _ in found.values())
    corner = _normalised(total, axis=1)
    fits: dict[str, tuple[Doubles, ...]] = {}
    for name, values in courses.items():
        weights = corner[:, :, np.newaxis] * inner[name]
        variance = found[name][1]
        sway = np.exp((weights * np.log(variance)).sum(axis=(1, 2)) / 2)
        quick = np.sqrt((weights * variance * _RATIOS**2).sum(axis=(1, 2)))
        fits[name] = (sway, quick, grids[name].speed(values, weights))
    corners_hz = next(iter(grids.values())).corners_hz
    fits["corner"] = (np.exp((corner * np.log(corners_hz)).sum(axis=1)),)
    return fits


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


def _normalised(likelihood: Doubles, *, axis: int) -> Doubles:
    weights = np.exp(likelihood - likelihood.max(axis=axis, keepdims=True))
    return np.asarray(weights / weights.sum(axis=axis, keepdims=True))


def _summed(likelihood: Doubles) -> Doubles:
    """Return the log of the likelihood summed over the ratios, shape (courses, corners)."""
    top = likelihood.max(axis=2)
    return np.asarray(top + np.log(np.exp(likelihood - top[..., np.newaxis]).sum(axis=2)))
