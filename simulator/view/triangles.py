"""Triangles over samples in a grid: which are hit, and how much of each pixel they cover.

Places are (row, column) in samples: sample (i, j) is the point (i, j) for hits, and pixel (i, j) is
the square from (i, j) to (i + 1, j + 1) for coverage.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...ground.types import Doubles

Numbers = npt.NDArray[np.int64]

#: Pieces of edges that are worked on at once.
_MOST_CUTS = 2_000_000


@dataclass(frozen=True, eq=False)
class Hits:
    """Samples that lie in triangles, in no order.

    Parameters
    ----------
    place : array (k,)
        Row times columns, plus column, from the grid's first sample.
    face : array (k,)
        Number of the triangle.
    weights : array (3, k)
        Of its corners, as the eye sees the point.
    depth : array (k,)
        Camera depth.
    """

    place: Numbers
    face: Numbers
    weights: Doubles
    depth: Doubles

    def __getitem__(self, which: npt.NDArray) -> Hits:
        """Return some of them."""
        return Hits(self.place[which], self.face[which], self.weights[:, which], self.depth[which])


def hits(
    row: Doubles, col: Doubles, depth: Doubles, *, corner: tuple[int, int], shape: tuple[int, int]
) -> Hits:
    """Return the samples of a grid in each of some triangles.

    A sample on an edge that two triangles share is in one of them.

    Parameters
    ----------
    row, col, depth : array (m, 3)
        Corners: place in samples, and camera depth > 0.
    corner : (row, column)
        First sample of the grid.
    shape : (rows, columns)
    """
    face, at_row, first, count = _spans(row, col, corner, shape)
    span = np.repeat(np.arange(len(face)), count)
    step = np.arange(len(span)) - np.repeat(np.cumsum(count) - count, count)
    face, at_row, at_col = face[span], at_row[span], first[span] + step
    weights = _weights(row, col, face, at_row, at_col) / depth.T[:, face]
    total = weights.sum(axis=0)
    place = (at_row - corner[0]) * shape[1] + (at_col - corner[1])
    return Hits(place, face, weights / total, 1 / total)


def _spans(
    row: Doubles, col: Doubles, corner: tuple[int, int], shape: tuple[int, int]
) -> tuple[Numbers, Numbers, Numbers, Numbers]:
    """Return for each row of each triangle its number, the row, first column and columns in it."""
    # From top to bottom, and from left to right at one height: both sides of an edge see it alike.
    order = np.lexsort((col, row), axis=1)
    y, x = (np.take_along_axis(values, order, axis=1) for values in (row, col))
    low = np.maximum(np.ceil(y[:, 0]), corner[0]).astype(np.int64)
    high = np.minimum(np.ceil(y[:, 2]), corner[0] + shape[0]).astype(np.int64)
    rows = np.maximum(high - low, 0)
    face = np.repeat(np.arange(len(y)), rows)
    at = low[face] + np.arange(len(face)) - np.repeat(np.cumsum(rows) - rows, rows)
    # One side is the edge from the top to the bottom, the other that above or below the middle.
    lower = (at >= y[face, 1]).astype(np.int64)
    sides = [
        _crossing((y[face, i], y[face, k]), (x[face, i], x[face, k]), at)
        for i, k in ((0, 2), (lower, lower + 1))
    ]
    left, right = np.minimum(*sides), np.maximum(*sides)
    first = np.maximum(np.ceil(left), corner[1]).astype(np.int64)
    last = np.minimum(np.ceil(right), corner[1] + shape[1]).astype(np.int64)
    some = last > first
    return face[some], at[some], first[some], (last - first)[some]


def _crossing(y: tuple[Doubles, Doubles], x: tuple[Doubles, Doubles], at: Numbers) -> Doubles:
    """Return the columns at which edges, from upper to lower end, cross rows."""
    share = (at - y[0]) / np.where(y[1] > y[0], y[1] - y[0], 1)
    return x[0] + np.clip(share, 0, 1) * (x[1] - x[0])


def _weights(
    row: Doubles, col: Doubles, face: Numbers, at_row: Numbers, at_col: Numbers
) -> Doubles:
    """Return barycentric coordinates of places in triangles, (3, k)."""
    y0, x0 = row[:, 0], col[:, 0]
    y1, y2, x1, x2 = row[:, 1] - y0, row[:, 2] - y0, col[:, 1] - x0, col[:, 2] - x0
    size = y1 * x2 - y2 * x1
    size = np.where(size == 0, 1, size)
    down, across = at_row - y0[face], at_col - x0[face]
    second = (x2 / size)[face] * down - (y2 / size)[face] * across
    third = (y1 / size)[face] * across - (x1 / size)[face] * down
    return np.clip(np.stack([1 - second - third, second, third]), 0, 1)


def nearest(found: Hits, size: int) -> Hits:
    """Return of hits those that no other of the same sample is before; ``size`` is the grid's."""
    least = np.full(size, np.inf)
    np.minimum.at(least, found.place, found.depth)
    front = np.flatnonzero(found.depth == least[found.place])
    # Where two are as near, the last one.
    last = np.full(size, -1, np.int64)
    last[found.place[front]] = front
    return found[last[last >= 0]]


def signed_coverage(
    start: Doubles, end: Doubles, weight: Doubles, *, shape: tuple[int, int]
) -> Doubles:
    """Return how often each pixel is surrounded by edges, in the mean over its area.

    For the edges of a shape that go down on its left and up on its right it is the share of the
    pixel in the shape, exactly.

    Parameters
    ----------
    start, end : array (n, 2)
        Row and column of each edge's ends.
    weight : array (n,)
        How often each edge counts.
    shape : (rows, columns)
    """
    rows, cols = shape
    into = np.zeros(rows * (cols + 1))
    reach = np.abs(end - start).sum(axis=1)
    ends = np.flatnonzero(np.diff(np.cumsum(reach) // _MOST_CUTS, prepend=-1))
    for part in np.split(np.arange(len(start)), ends[1:]):
        if len(part):
            _add_edges(into, start[part], end[part], weight[part], shape)
    return np.cumsum(into.reshape(rows, cols + 1), axis=1)[:, :cols]


def _add_edges(
    into: Doubles, start: Doubles, end: Doubles, weight: Doubles, shape: tuple[int, int]
) -> None:
    """Add edges to sums along rows: what each changes in its pixel, and in the next."""
    rows, cols = shape
    start, end, weight = _within_rows(start, end, weight, rows)
    for axis, most in ((0, rows), (1, cols)):
        start, end, weight = _cut(start, end, weight, axis, most)
    middle = (start + end) / 2
    row = np.clip(np.floor(middle[:, 0]).astype(np.int64), 0, rows - 1)
    col = np.floor(middle[:, 1])
    # What is left of the grid counts for all of it, what is right of it for nothing.
    right_part = np.where(col < 0, 1.0, col + 1 - middle[:, 1])
    here = col < cols
    at = row * (cols + 1) + np.clip(col, 0, cols).astype(np.int64)
    down = (end[:, 0] - start[:, 0]) * weight
    into += np.bincount(at[here], (down * right_part)[here], minlength=len(into))
    into += np.bincount(at[here] + 1, (down * (1 - right_part))[here], minlength=len(into) + 1)[
        : len(into)
    ]


def _within_rows(
    start: Doubles, end: Doubles, weight: Doubles, rows: int
) -> tuple[Doubles, Doubles, Doubles]:
    """Cut edges to the rows of a grid."""
    fall = end[:, 0] - start[:, 0]
    level = fall != 0
    start, end, weight, fall = start[level], end[level], weight[level], fall[level, None]
    shares = [np.clip((bound - start[:, :1]) / fall, 0, 1) for bound in (0, rows)]
    low, high = np.minimum(*shares), np.maximum(*shares)
    kept = (high > low)[:, 0]
    way = end - start
    return (start + low * way)[kept], (start + high * way)[kept], weight[kept]


def _cut(
    start: Doubles, end: Doubles, weight: Doubles, axis: int, most: int
) -> tuple[Doubles, Doubles, Doubles]:
    """Cut edges where they cross whole numbers from 0 to ``most`` along an axis."""
    a, b = np.minimum(start[:, axis], end[:, axis]), np.maximum(start[:, axis], end[:, axis])
    first = np.maximum(np.floor(a) + 1, 0).astype(np.int64)
    last = np.minimum(np.ceil(b) - 1, most).astype(np.int64)
    crossings = np.maximum(last - first + 1, 0)
    parts = crossings + 1
    edge = np.repeat(np.arange(len(start)), parts)
    step = np.arange(len(edge)) - np.repeat(np.cumsum(parts) - parts, parts)
    way = end[:, axis] - start[:, axis]
    up = (way >= 0)[edge]
    # Crossings in the order in which the edge meets them.
    before = np.where(up, first[edge] + step - 1, last[edge] - step + 1)
    after = np.where(up, first[edge] + step, last[edge] - step)
    safe = np.where(way == 0, 1, way)[edge]
    from_share = np.where(step == 0, 0, (before - start[edge, axis]) / safe)
    to_share = np.where(step == crossings[edge], 1, (after - start[edge, axis]) / safe)
    whole = (end - start)[edge]
    begin, finish = (
        start[edge] + from_share[:, None] * whole,
        start[edge] + to_share[:, None] * whole,
    )
    return begin, finish, weight[edge]
