"""The shape of a pupil: blades of a diaphragm, and a rim that clips it off the axis.

A pupil is what some discs have in common. Each blade's edge is an arc through two neighbouring
corners, flatter than the circle through all of them, so a diaphragm of n blades is the common part
of n large discs; a rim before or behind it is one disc more. Lengths are in radii of the round
pupil of the marked f-number. Axes are the camera's: x to the right in the picture, y down.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import asin, atan2, cos, hypot, pi, sin, sqrt

import numpy as np

from ...ground.types import Doubles

#: A straight blade is an arc of this roundness: it stands off its chord by less than 2e-7.
_STRAIGHT = 1e-6
#: Chords that area and outline are taken from.
_CHORDS = 4096
#: Points of the outline for one that is kept, for its extent in all directions.
_PER_POINT = 8


@dataclass(frozen=True, slots=True)
class Pupil:
    """A convex pupil.

    Parameters
    ----------
    discs : tuple of (x, y, radius)
        Discs whose common part it is, in radii of the round pupil.
    """

    discs: tuple[tuple[float, float, float], ...] = ((0.0, 0.0, 1.0),)

    @property
    def area(self) -> float:
        """Area over that of the round pupil."""
        return _measured(self)[0]

    @property
    def farthest(self) -> float:
        """Distance of its farthest point from the axis."""
        return _measured(self)[1]

    @property
    def even(self) -> bool:
        """Whether it is the same when it is turned by 180 degrees."""
        return all(
            any(hypot(x + u, y + v) < 1e-9 * r and r == q for u, v, q in self.discs)
            for x, y, r in self.discs
        )

    def cut_by(self, x: float, y: float, radius: float) -> Pupil:
        """Return what a disc leaves of it, or itself where that is all of it."""
        if hypot(x, y) + self.farthest <= radius:
            return self
        return Pupil((*self.discs, (x, y, radius)))

    def chords(self, t: Doubles, turn: Doubles) -> tuple[Doubles, Doubles]:
        """Return where lines across it begin and end.

        Parameters
        ----------
        t : array
            Place of each line along the direction (cos turn, sin turn).
        turn : array
            Radians; broadcasts against ``t``.

        Returns
        -------
        low, high : array
            Along (-sin turn, cos turn); where the line misses the pupil high <= low.
        """
        along, across = np.cos(turn), np.sin(turn)
        low = high = t
        for number, (x, y, radius) in enumerate(self.discs):
            half = t - (x * along + y * across)
            np.multiply(half, half, out=half)
            np.subtract(radius * radius, half, out=half)
            # A line that misses the disc keeps no length.
            np.sqrt(np.maximum(half, 0, out=half), out=half)
            middle = y * along - x * across
            begin, end = middle - half, middle + half
            low = np.maximum(low, begin, out=begin) if number else begin
            high = np.minimum(high, end, out=end) if number else end
        return low, high

    def holds(self, x: Doubles, y: Doubles) -> np.ndarray:
        """Return whether points lie in it."""
        inside = np.ones(np.broadcast(x, y).shape, bool)
        for at, down, radius in self.discs:
            inside &= (x - at) ** 2 + (y - down) ** 2 <= radius * radius
        return inside

    def extent(self, turn: Doubles) -> tuple[Doubles, Doubles]:
        """Return its least and its greatest place along directions (cos turn, sin turn)."""
        x, y = _measured(self)[2]
        place = np.multiply.outer(np.cos(turn), x) + np.multiply.outer(np.sin(turn), y)
        return place.min(axis=-1), place.max(axis=-1)


#: The pupil of a lens without blades.
ROUND = Pupil()


@lru_cache(maxsize=1024)
def _measured(pupil: Pupil) -> tuple[float, float, tuple[Doubles, Doubles]]:
    """Return area over pi, farthest distance, and points of the outline, (x, y)."""
    if len(pupil.discs) == 1:
        ((middle_x, middle_y, radius),) = pupil.discs
        turn = np.arange(_CHORDS // _PER_POINT) * (2 * pi * _PER_POINT / _CHORDS)
        outline = middle_x + radius * np.cos(turn), middle_y + radius * np.sin(turn)
        return radius**2, hypot(middle_x, middle_y) + radius, outline
    least = max(y - r for _, y, r in pupil.discs)
    most = min(y + r for _, y, r in pupil.discs)
    least, most = max(least, -4.0), min(most, 4.0)
    # Lines lie closer together toward the ends, where an outline is steep; then once more over
    # what is not empty.
    for _ in range(3):
        angle = (np.arange(_CHORDS) + 0.5) / _CHORDS * pi
        t = (least + most) / 2 - (most - least) / 2 * np.cos(angle)
        low, high = pupil.chords(t, np.full_like(t, pi / 2))
        there = np.flatnonzero(high > low)
        if len(there) == 0:
            return 0.0, 0.0, (np.zeros(1), np.zeros(1))
        step = pi / _CHORDS * (most - least) / 2 * np.sin(angle)
        least, most = t[there[0]] - step[there[0]], t[there[-1]] + step[there[-1]]
    area = float((step * np.maximum(high - low, 0)).sum()) / pi
    # Along y, the direction across is -x.
    x = -np.concatenate([low[there], high[there]])
    y = np.concatenate([t[there], t[there]])
    some = slice(None, None, _PER_POINT)
    return area, float(np.hypot(x, y).max()), (x[some], y[some])


@lru_cache(maxsize=64)
def diaphragm(blades: int, *, roundness: float = 0.0, angle_deg: float = 0.0) -> Pupil:
    """Return the pupil that the blades of a diaphragm leave, of the round pupil's area.

    Parameters
    ----------
    blades : int
        3 or more, or 0 for a round pupil.
    roundness : float
        Curvature of a blade's edge over that of the circle through all corners: 0 straight, 1 a
        round pupil.
    angle_deg : float
        By how much a corner is turned clockwise from straight up, seen from behind the camera.

    Raises
    ------
    ValueError
        A value out of its range.

    Notes
    -----
    The area of a straight one is n/2 sin(2 pi/n) R^2, R the distance of its corners; each arc adds
    the segment between it and its chord. R makes that pi: a marked f-number is that of the round
    pupil of equal area (effective aperture of ISO 517, from memory), so blades cost no light.
    """
    if blades != 0 and blades < 3:
        raise ValueError(f"blades: got {blades}, allowed 0 (a round pupil) or 3 or more")
    if not 0 <= roundness <= 1:
        raise ValueError(f"roundness: got {roundness}, allowed 0 to 1")
    if blades == 0 or roundness == 1:
        return ROUND
    bend = max(roundness, _STRAIGHT)
    half = pi / blades
    # For corners at distance 1: the radius of an arc, and half the angle that it spans.
    arc = 1 / bend
    span = asin(bend * sin(half))
    segment = arc * arc * _less_sine(span)
    area = blades * (sin(half) * cos(half) + segment)
    corner = sqrt(pi / area)
    # The arc's middle lies behind the axis, that of its chord cos(half) before it.
    behind = corner * (arc * cos(span) - cos(half))
    first = np.radians(angle_deg) - pi / 2 + half
    return Pupil(
        tuple(
            (-behind * cos(turn), -behind * sin(turn), corner * arc)
            for turn in (first + 2 * half * k for k in range(blades))
        )
    )


def _less_sine(span: float) -> float:
    """Return span - sin(span) cos(span), to the last digit of small ones too."""
    if span < 1e-3:
        return 2 / 3 * span**3
    return span - sin(span) * cos(span)


def rim_place(shift: float, x: float, y: float) -> tuple[float, float]:
    """Return the middle of a rim's outline over the pupil, for a place in the picture.

    Parameters
    ----------
    shift : float
        How far it goes for a unit of the place's distance from the axis; + to the other side of
        the axis, as a rim before the pupil does.
    x, y : float
        Of the place.
    """
    distance, turn = shift * hypot(x, y), atan2(y, x)
    return -distance * cos(turn), -distance * sin(turn)
