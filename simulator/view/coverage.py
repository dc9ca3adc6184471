"""How much of each pixel lies inside an outline."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation

from ...ground.types import Floats, Reals
from ..scene.outlines import blade_distance, spiral_distance
from ..scene.scene import Outline

#: Farther from an edge than this, in pixels, a pixel is all inside or all outside.
_NEAR_PX = 1.5
#: Where the gradient of a distance is less, two edges meet and it has no direction.
_LEAST_GRADIENT = np.float32(0.8)
#: Points per side of a pixel at a corner.
_COUNTED = 8


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
        half_u, half_v = (np.float32(size * px_per_mm / 2) for size in outline.size_mm)
        across = edge_coverage(half_u + u_px) + edge_coverage(half_u - u_px) - 1
        down = edge_coverage(half_v + v_px) + edge_coverage(half_v - v_px) - 1
        return across * down
    distance = outline_distance(outline, u_px, v_px, px_per_mm)
    covered = edge_coverage(distance)
    row, col = np.nonzero(_corners(distance))
    if len(row) > 0:
        u, v = (points_around(axis, row, col, _COUNTED) for axis in (u_px, v_px))
        covered[row, col] = (outline_distance(outline, u, v, px_per_mm) > 0).mean(axis=1)
    return covered


def points_around(values: Floats, row: npt.NDArray, col: npt.NDArray, side: int) -> Floats:
    """Return what a smooth array would hold at points over some pixels, (pixels, side * side)."""
    places = ((np.arange(side) + 0.5) / side - 0.5).astype(np.float32)
    down, across = (axis.ravel() for axis in np.meshgrid(places, places))
    by_row, by_col = (_change(values, row, col, axis=axis)[:, None] for axis in (0, 1))
    points = values[row, col][:, None] + by_row * down + by_col * across
    return points.astype(np.float32)


def _corners(distance_px: Floats) -> npt.NDArray[np.bool_]:
    """Mark the pixels where edges meet, and those beside them."""
    marked = np.zeros(distance_px.shape, bool)
    row, col = np.nonzero(np.abs(distance_px) < _NEAR_PX)
    slope = np.hypot(*(_change(distance_px, row, col, axis=axis) for axis in (0, 1)))
    bent = slope < _LEAST_GRADIENT * np.median(slope) if len(slope) else slope > 0
    marked[row[bent], col[bent]] = True
    return binary_dilation(marked, np.ones((3, 3), bool)) if bent.any() else marked


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
    half_u, half_v = (np.float32(size * per_mm / 2) for size in outline.size_mm)
    if outline.kind == "rectangle":
        return np.minimum(half_u - np.abs(u), half_v - np.abs(v))
    if outline.kind == "blade":
        return blade_distance(u, v, float(half_u), float(half_v))
    # First order: the implicit function of the ellipse over the length of its gradient.
    a, b = u / half_u, v / half_v
    steep = 2 * np.sqrt((a / half_u) ** 2 + (b / half_v) ** 2)
    return (1 - a * a - b * b) / np.maximum(steep, np.float32(1e-6))


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
    covered = (distance_px > 0).astype(np.float32)
    row, col = np.nonzero(np.abs(distance_px) < _NEAR_PX)
    if len(row) == 0:
        return covered
    by_row = _change(distance_px, row, col, axis=0)
    by_col = _change(distance_px, row, col, axis=1)
    length = np.hypot(by_row, by_col)
    length[length < _LEAST_GRADIENT] = 1
    steep = np.maximum(np.abs(by_row), np.abs(by_col)) / length
    flat = np.minimum(np.abs(by_row), np.abs(by_col)) / length
    covered[row, col] = straight_edge(distance_px[row, col] / length, steep, flat)
    return covered


def _change(values: Floats, row: npt.NDArray, col: npt.NDArray, *, axis: int) -> Reals:
    """Return the change per pixel along an axis at some pixels."""
    at, last = (row, col)[axis], values.shape[axis] - 1
    before, after = np.maximum(at - 1, 0), np.minimum(at + 1, last)
    step = np.maximum(after - before, 1).astype(np.float32)
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
    flat = np.maximum(flat, np.float32(0.02))
    steep = np.maximum(steep, np.float32(np.sqrt(0.5)))
    outer, inner = np.asarray(steep + flat) / 2, np.asarray(steep - flat) / 2
    # Squares of large distances would cost single precision its digits.
    distance = np.clip(distance_px, -1, 1)
    ramps = (
        _half_square(distance + outer)
        - _half_square(distance + inner)
        - _half_square(distance - inner)
        + _half_square(distance - outer)
    )
    return np.clip(ramps / (steep * flat), 0, 1).astype(np.float32)


def _half_square(x: Reals) -> Reals:
    positive = np.maximum(x, 0)
    return positive * positive * np.float32(0.5)


def _polygon_distance(points: npt.NDArray, u: Floats, v: Floats) -> Floats:
    """Signed distance to a polygon, > 0 inside (even-odd rule)."""
    nearest = np.full(u.shape, np.inf, np.float32)
    inside = np.zeros(u.shape, bool)
    for (x0, y0), (x1, y1) in zip(points, np.roll(points, -1, axis=0), strict=True):
        ex, ey = np.float32(x1 - x0), np.float32(y1 - y0)
        along = ((u - x0) * ex + (v - y0) * ey) / max(ex * ex + ey * ey, 1e-12)
        along = np.clip(along, 0, 1).astype(np.float32)
        np.minimum(nearest, np.hypot(u - x0 - along * ex, v - y0 - along * ey), out=nearest)
        if y0 != y1:
            crosses = ((y0 > v) != (y1 > v)) & (u < (x1 - x0) * (v - y0) / (y1 - y0) + x0)
            inside ^= crosses
    return np.where(inside, nearest, -nearest)
