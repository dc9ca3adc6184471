"""How much of each pixel lies inside an outline."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import product

import numpy as np
import numpy.typing as npt

from ...ground.arrays import (
    clip,
    image_filter,
    namespace,
    sent,
    single,
    write,
    write_at,
)
from ...ground.chunks import at_once
from ...ground.extremes import extremes
from ...ground.types import Doubles, Floats, Reals
from ..scene.outlines import blade_distance, spiral_distance
from ..scene.scene import Outline

#: Farther from an edge than this, in pixels, a pixel is all inside or all outside.
_NEAR_PX = 1.5
#: Where the gradient of a distance is less, two edges meet and it has no direction.
_LEAST_GRADIENT = single(0.8)
#: Points per side of a pixel at a corner.
_COUNTED = 8
#: Points per side of a block that looks for the sides of a polygon near it.
_BLOCK = 64
#: Rounding to single precision changes a place by less than this share.
_ROUNDED = 1e-5


def outline_coverage(outline: Outline, u_px: Floats, v_px: Floats, px_per_mm: float) -> Floats:
    """Return the share of each pixel inside an outline.

    Parameters
    ----------
    outline : Outline
        Any kind but "everywhere".
    u_px, v_px : array (rows, cols)
        The sheet's own coordinates at the pixels' centres, in units of about a pixel.
    px_per_mm : float
        Those units per mm.
    """
    if outline.kind == "rectangle":
        assert outline.size_mm is not None
        half_u, half_v = (single(size * px_per_mm / 2) for size in outline.size_mm)
        across = edge_coverage(half_u + u_px) + edge_coverage(half_u - u_px) - 1
        down = edge_coverage(half_v + v_px) + edge_coverage(half_v - v_px) - 1
        return across * down
    distance = outline_distance(outline, u_px, v_px, px_per_mm)
    covered = edge_coverage(distance)
    xp = namespace(distance)
    row, col = xp.nonzero(_corners(distance))
    if row.shape[0] > 0:
        u, v = (points_around(axis, row, col, _COUNTED) for axis in (u_px, v_px))
        inside = xp.astype(outline_distance(outline, u, v, px_per_mm) > 0, xp.float64)
        write_at(covered, (row, col), xp.astype(xp.mean(inside, axis=1), xp.float32))
    return covered


def points_around(values: Floats, row: npt.NDArray, col: npt.NDArray, side: int) -> Floats:
    """Return what a smooth array would hold at points over some pixels, (pixels, side * side)."""
    xp = namespace(values)
    places = ((np.arange(side) + 0.5) / side - 0.5).astype(np.float32)
    down, across = (sent(axis.ravel(), xp) for axis in np.meshgrid(places, places))
    by_row, by_col = (_change(values, row, col, axis=axis)[:, None] for axis in (0, 1))
    points = values[row, col][:, None] + by_row * down + by_col * across
    return xp.astype(points, xp.float32)  # type: ignore[no-any-return]


def _corners(distance_px: Floats) -> npt.NDArray[np.bool_]:
    """Mark the pixels where edges meet, and those beside them."""
    xp = namespace(distance_px)
    marked = xp.zeros(distance_px.shape, dtype=xp.bool)
    row, col = xp.nonzero(xp.abs(distance_px) < _NEAR_PX)
    slope = xp.hypot(*(_change(distance_px, row, col, axis=axis) for axis in (0, 1)))
    bent = slope < _LEAST_GRADIENT * _median(slope) if slope.shape[0] else slope > 0
    if not xp.any(bent):
        return marked  # type: ignore[no-any-return]
    write_at(marked, (row[bent], col[bent]), True)
    return image_filter("binary_dilation", marked, xp.ones((3, 3), dtype=xp.bool))  # type: ignore[no-any-return]


def _median(values: Floats) -> Floats:
    """Return the median of a flat array, as an array of one."""
    ordered, count = namespace(values).sort(values), values.shape[0]
    first, last = (count - 1) // 2, count // 2
    return (ordered[first : first + 1] + ordered[last : last + 1]) / 2  # type: ignore[no-any-return]


def outline_distance(outline: Outline, u: Floats, v: Floats, per_mm: float) -> Floats:
    """Return the signed distance to an outline near its edge, > 0 inside.

    Parameters
    ----------
    outline : Outline
        Any kind but "everywhere".
    u, v : array
        The sheet's own coordinates.
    per_mm : float
        Units of u and v (and of the result) per mm.
    """
    if outline.kind == "polygon":
        return _polygon_distance(np.array(outline.points_mm) * per_mm, u, v)
    if outline.kind == "spiral":
        assert outline.radius_mm is not None
        return spiral_distance(u, v, outline.radius_mm * per_mm, outline.growth)
    assert outline.size_mm is not None
    xp = namespace(u)
    half_u, half_v = (single(size * per_mm / 2) for size in outline.size_mm)
    if outline.kind == "rectangle":
        return xp.minimum(half_u - xp.abs(u), half_v - xp.abs(v))  # type: ignore[no-any-return]
    if outline.kind == "blade":
        return blade_distance(u, v, half_u, half_v)
    # First order: the implicit function of the ellipse over the length of its gradient.
    a, b = u / half_u, v / half_v
    steep = 2 * xp.sqrt((a / half_u) ** 2 + (b / half_v) ** 2)
    return (1 - a * a - b * b) / xp.maximum(steep, single(1e-6))  # type: ignore[no-any-return]


def is_convex(outline: Outline) -> bool:
    """Say whether an outline surely holds all points between any two points that it holds."""
    if outline.size_mm is None:
        return False
    # The arcs of a blade that is wider than long meet in a dent.
    return outline.kind != "blade" or outline.size_mm[0] >= outline.size_mm[1]


def edge_coverage(distance_px: Floats) -> Floats:
    """Return the share of each square pixel on the inner side of an edge.

    Parameters
    ----------
    distance_px : array (rows, cols)
        Distance of each pixel's centre to the edge, > 0 inside, in units of about a pixel; the
        edge's direction and the true unit are taken from the change between neighbours.
    """
    xp = namespace(distance_px)
    covered: Floats = xp.astype(distance_px > 0, xp.float32)
    row, col = xp.nonzero(xp.abs(distance_px) < _NEAR_PX)
    if row.shape[0] == 0:
        return covered
    by_row = _change(distance_px, row, col, axis=0)
    by_col = _change(distance_px, row, col, axis=1)
    length = xp.hypot(by_row, by_col)
    length = xp.where(length < _LEAST_GRADIENT, 1.0, length)
    steep = xp.maximum(xp.abs(by_row), xp.abs(by_col)) / length
    flat = xp.minimum(xp.abs(by_row), xp.abs(by_col)) / length
    write_at(covered, (row, col), straight_edge(distance_px[row, col] / length, steep, flat))
    return covered


def _change(values: Floats, row: npt.NDArray, col: npt.NDArray, *, axis: int) -> Reals:
    """Return the change per pixel along an axis at some pixels."""
    xp, at, last = namespace(values), (row, col)[axis], values.shape[axis] - 1
    before, after = xp.maximum(at - 1, 0), xp.minimum(at + 1, last)
    step = xp.astype(xp.maximum(after - before, 1), xp.float32)
    if axis == 0:
        return (values[after, col] - values[before, col]) / step
    return (values[row, after] - values[row, before]) / step


def straight_edge(distance_px: Reals, steep: Reals | float, flat: Reals | float) -> Floats:
    """Return the share of a square pixel on the inner side of a straight edge.

    Parameters
    ----------
    distance_px : array
        Of the pixel's centre from the edge, > 0 inside.
    steep, flat : array or float
        Larger and smaller component, without sign, of the edge's unit normal along the sides.
    """
    # A wedge below 0.02 px is no different from an upright edge.
    xp, least = namespace(distance_px), (single(0.02), single(np.sqrt(0.5)))
    if isinstance(flat, float) and isinstance(steep, float):
        flat, steep = max(flat, least[0]), max(steep, least[1])
    else:
        flat, steep = xp.maximum(flat, least[0]), xp.maximum(steep, least[1])
    outer, inner = (steep + flat) / 2, (steep - flat) / 2
    # Squares of large distances would cost single precision its digits.
    distance = clip(distance_px, -1, 1)
    ramps = _half_square(distance + outer)
    ramps -= _half_square(distance + inner)
    ramps -= _half_square(distance - inner)
    ramps += _half_square(distance - outer)
    ramps /= steep * flat
    return xp.astype(clip(ramps, 0, 1), xp.float32)  # type: ignore[no-any-return]


def _half_square(x: Reals) -> Reals:
    """Return half the square of what is above 0, in the place of the values."""
    write("maximum", x, 0, out=x)
    x *= x
    x *= 0.5
    return x


def _polygon_distance(points: npt.NDArray, u: Floats, v: Floats) -> Floats:
    """Signed distance to a polygon, > 0 inside (even-odd rule)."""
    xp = namespace(u)
    found = xp.empty(u.shape, dtype=xp.float32)
    sides = np.concatenate([points, np.roll(points, -1, axis=0)], axis=1)
    for block in _blocks(u.shape, math.isqrt(at_once(_BLOCK**2, xp))):
        found[block] = _distance_within(sides, u[block], v[block])
    return found  # type: ignore[no-any-return]


def _blocks(shape: tuple[int, ...], side: int) -> Iterator[tuple[slice, ...]]:
    """Yield blocks that make up an array, of so many places along each axis at most."""
    starts = (range(0, length, side) for length in shape)
    for corner in product(*starts):
        yield tuple(
            slice(start, min(start + side, end)) for start, end in zip(corner, shape, strict=True)
        )


def _distance_within(sides: Doubles, u: Floats, v: Floats) -> Floats:
    """Return the signed distance of some points to a polygon, given by its sides' ends (n, 4)."""
    xp = namespace(u)
    u, v = (xp.astype(axis, xp.float64) for axis in (u, v))
    nearest: Floats = xp.full(u.shape, xp.inf, dtype=xp.float32)
    inside = xp.zeros(u.shape, dtype=xp.bool)
    near, crossed = _sides_that_count(sides, extremes(u), extremes(v))
    for x0, y0, x1, y1 in sides[near].tolist():
        ex, ey = single(x1 - x0), single(y1 - y0)
        square = single(single(ex * ex) + single(ey * ey))
        along = ((u - x0) * ex + (v - y0) * ey) / max(square, 1e-12)
        along = xp.astype(clip(along, 0, 1), xp.float32)
        away = xp.hypot(u - x0 - along * ex, v - y0 - along * ey)
        write("minimum", nearest, away, out=nearest)
    for x0, y0, x1, y1 in sides[crossed].tolist():
        inside ^= ((v < y0) != (v < y1)) & (u < (x1 - x0) * (v - y0) / (y1 - y0) + x0)
    return xp.where(inside, nearest, -nearest)  # type: ignore[no-any-return]


def _sides_that_count(
    sides: Doubles, u: tuple[float, float], v: tuple[float, float]
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Return which sides may be the nearest to a point of a box, and which to the right of one."""
    x0, y0, x1, y1 = sides.T
    middle_u, middle_v = sum(u) / 2, sum(v) / 2
    reach = np.hypot(u[1] - u[0], v[1] - v[0]) / 2
    ex, ey = x1 - x0, y1 - y0
    along = ((middle_u - x0) * ex + (middle_v - y0) * ey) / np.maximum(ex * ex + ey * ey, 1e-12)
    along = np.clip(along, 0, 1)
    away = np.hypot(middle_u - x0 - along * ex, middle_v - y0 - along * ey)
    # More than what rounding does to single precision.
    spare = _ROUNDED * max(np.abs(sides).max(), *map(abs, (*u, *v)))
    # What cannot be compared counts.
    near = ~(away > away.min() + 2 * reach + spare)
    level = (np.minimum(y0, y1) > v[1]) | (np.maximum(y0, y1) <= v[0]) | (y0 == y1)
    return near, ~(level | (np.maximum(x0, x1) + spare < u[0]))
