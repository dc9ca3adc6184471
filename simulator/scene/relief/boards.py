"""A printed circuit board: buses of copper tracks, round pads with holes, rectangular lands."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import Annotated, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from pydantic import Field
from pydantic.dataclasses import dataclass

from ....ground.arrays import single
from ....ground.smoothstep import smoothstep
from ....ground.types import Doubles, Floats
from ...rig import STRICT
from .castings import Casting, drawn, height_of
from .gauges import Gauge, bounds_mm, gauge, max_slope

Point = tuple[float, float]
_Size = Annotated[float, Field(gt=0)]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Bus:
    """Parallel copper tracks along a bent line.

    Parameters
    ----------
    points_mm : sequence of (x, y)
        Corners of the line that the middle of the bus follows.
    count : int
        Of tracks.
    pitch_mm, width_mm : float
        From track to track, and the width of each.
    """

    points_mm: tuple[Point, ...] = Field(min_length=2)
    count: int = Field(default=1, ge=1, le=64)
    pitch_mm: _Size = 0.4
    width_mm: _Size = 0.18


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Layout:
    """What is etched on a board, inside a square.

    Parameters
    ----------
    half_mm : float
        Half the side of the square.
    buses : sequence of Bus
        Copper tracks.
    pads : sequence of (x_mm, y_mm, radius_mm, hole_radius_mm)
        Round pads with their holes.
    lands : sequence of (x_mm, y_mm, width_mm, height_mm)
        Rectangular pads for parts that lie on the board.
    """

    half_mm: float = Field(default=13.0, gt=0)
    buses: tuple[Bus, ...] = ()
    pads: tuple[tuple[float, float, _Size, float], ...] = ()
    lands: tuple[tuple[float, float, _Size, _Size], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class BoardRelief:
    """The board's surface: copper stands a little higher than the rest.

    Parameters
    ----------
    layout : Layout
        The same as in the board's masks.
    copper_mm : float
        Thickness of the copper under its lacquer.
    """

    layout: Layout
    copper_mm: float = Field(default=0.035, gt=0)
    kind: Literal["board"] = "board"


class Inside(NamedTuple):
    """Rasters of the distance to an outline (mm, > 0 inside), up to a limit either way."""

    copper: Casting
    bare: Casting
    hole: Casting


_LIMIT_MM = 0.5


@lru_cache(maxsize=4)
def inside_of(layout: Layout) -> Inside:
    """Draw the three outlines of a layout: all copper, bare metal, holes."""

    def bare(x: Doubles, y: Doubles) -> Doubles:
        distance = np.full(x.shape, -_LIMIT_MM)
        for px, py, radius, _ in layout.pads:
            _draw_disc(distance, (x, y), (px, py), radius)
        for px, py, width, height in layout.lands:
            _draw_land(distance, (x, y), (px, py), (width / 2, height / 2))
        return np.minimum(distance, _LIMIT_MM)

    def copper(x: Doubles, y: Doubles) -> Doubles:
        # Lacquer leaves a bare rim around pads: copper there is a little larger than the opening.
        distance = bare(x, y) + 0.06
        for bus in layout.buses:
            for line in _tracks(bus):
                for start, end in pairwise(line):
                    _draw_track(distance, (x, y), start, end, bus.width_mm / 2)
        return np.clip(distance, -_LIMIT_MM, _LIMIT_MM)

    def hole(x: Doubles, y: Doubles) -> Doubles:
        distance = np.full(x.shape, -_LIMIT_MM)
        for px, py, _, radius in layout.pads:
            _draw_disc(distance, (x, y), (px, py), radius)
        return np.minimum(distance, _LIMIT_MM)

    # Less rounding than the raster's own step: outlines stay crisp.
    return Inside(*(drawn(draw, layout.half_mm, 0.0) for draw in (copper, bare, hole)))


def _tracks(bus: Bus) -> list[Doubles]:
    """Return the lines of a bus: its middle line shifted sideways, with mitred corners."""
    middle = np.array(bus.points_mm)
    heading = np.diff(middle, axis=0)
    heading /= np.linalg.norm(heading, axis=1, keepdims=True)
    normal = np.stack([-heading[:, 1], heading[:, 0]], axis=1)
    before, after = np.vstack([normal[:1], normal]), np.vstack([normal, normal[-1:]])
    corner = before + after
    corner /= np.sum(corner * before, axis=1, keepdims=True)
    shifts = (np.arange(bus.count) - (bus.count - 1) / 2) * bus.pitch_mm
    return [middle + shift * corner for shift in shifts]


def _within(xy: tuple[Doubles, Doubles], low: npt.ArrayLike, high: npt.ArrayLike) -> tuple:
    """Return the part of a raster that lies between two corners, or within reach of them."""
    x, y = xy
    (x0, y0), (x1, y1) = np.asarray(low) - _LIMIT_MM, np.asarray(high) + _LIMIT_MM
    return (
        slice(*np.searchsorted(y[:, 0], [y0, y1])),
        slice(*np.searchsorted(x[0], [x0, x1])),
    )


def _draw_disc(
    distance: Doubles, xy: tuple[Doubles, Doubles], centre: Point, radius: float
) -> None:
    """Raise `distance` to that of a disc, within reach of it."""
    part = _within(xy, np.array(centre) - radius, np.array(centre) + radius)
    inside = radius - np.hypot(xy[0][part] - centre[0], xy[1][part] - centre[1])
    np.maximum(distance[part], inside, out=distance[part])


def _draw_land(distance: Doubles, xy: tuple[Doubles, Doubles], centre: Point, half: Point) -> None:
    """Raise `distance` to that of a rectangle, within reach of it."""
    part = _within(xy, np.array(centre) - half, np.array(centre) + half)
    u = np.abs(xy[0][part] - centre[0]) - half[0]
    v = np.abs(xy[1][part] - centre[1]) - half[1]
    inside = -np.hypot(np.maximum(u, 0), np.maximum(v, 0)) - np.minimum(np.maximum(u, v), 0)
    np.maximum(distance[part], inside, out=distance[part])


def _draw_track(
    distance: Doubles, xy: tuple[Doubles, Doubles], start: Doubles, end: Doubles, half: float
) -> None:
    """Raise `distance` to that of a round-ended track, within reach of it."""
    part = _within(xy, np.minimum(start, end) - half, np.maximum(start, end) + half)
    u, v = xy[0][part] - start[0], xy[1][part] - start[1]
    along = end - start
    share = np.clip((u * along[0] + v * along[1]) / (along @ along), 0, 1)
    inside = half - np.hypot(u - share * along[0], v - share * along[1])
    np.maximum(distance[part], inside, out=distance[part])


# Width of the slope at the edge of the copper, mm.
_SHOULDER = 0.08


@gauge.register
def _(relief: BoardRelief, seed: int) -> Gauge:
    inside = height_of(inside_of(relief.layout).copper)
    copper = single(relief.copper_mm)

    def gauge_board(x: Floats, y: Floats) -> Floats:
        into = inside(x, y) * single(1 / _SHOULDER) + 0.5
        return smoothstep(into, height=copper)  # type: ignore[no-any-return]

    return gauge_board


@bounds_mm.register
def _(relief: BoardRelief) -> tuple[float, float]:
    return 0.0, relief.copper_mm


@max_slope.register
def _(relief: BoardRelief) -> float:
    return 1.5 * relief.copper_mm / _SHOULDER * max(inside_of(relief.layout).copper.slope, 1.0)
