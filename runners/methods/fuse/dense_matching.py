"""Which of two frames is sharper where they may not lie on each other, by matched descriptors."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy import ndimage

from ....ground.types import Bools, Floats
from ..picture.dense_sift import CELL_PX, CELLS, REACH, cell_values, over_cells

SEARCH = 3
WINDOW = 7
_TILE = 96
_MARGIN = REACH + SEARCH
_CENTRES = CELL_PX * (CELLS - 1) // 2


def sharper_share(first: Floats, second: Floats, wanted: Bools) -> Floats:
    """Say which of two frames is sharper: 1 the first, 0 the second, 1/2 where it is not told.

    The place in the other frame, up to 3 px off, whose descriptor is nearest to a pixel's shows
    the same thing. A frame is sharper when it has more spatial frequency at the pixel than the
    other at its match, and the other less at the pixel than it at its match.

    Parameters
    ----------
    first, second : array (rows, cols) of float32
        Grey.
    wanted : array (rows, cols) of bool
        Where the answer is wanted; elsewhere it is 1/2.
    """
    out = np.full(wanted.shape, 0.5, dtype=np.float32)
    padded = [np.pad(grey, _MARGIN, mode="edge") for grey in (first, second)]
    for rows, columns in _tiles(wanted):
        tall = slice(rows.start, rows.stop + 2 * _MARGIN)
        wide = slice(columns.start, columns.stop + 2 * _MARGIN)
        share = _share(*(grey[tall, wide] for grey in padded))
        inside = wanted[rows, columns]
        out[rows, columns][inside] = share[inside]
    return out


def _tiles(wanted: Bools) -> Iterator[tuple[slice, slice]]:
    """Yield the rectangles, at most 96 px a side, that hold all that is wanted."""
    for top in range(0, wanted.shape[0], _TILE):
        for left in range(0, wanted.shape[1], _TILE):
            part = wanted[top : top + _TILE, left : left + _TILE]
            if part.any():
                (low, *_, high), (near, *_, far) = (
                    [hit[0], hit[-1]]
                    for hit in (np.flatnonzero(part.any(axis=axis)) for axis in (1, 0))
                )
                yield slice(top + low, top + high + 1), slice(left + near, left + far + 1)


def _share(first: Floats, second: Floats) -> Floats:
    """Compare two pictures with a margin about what is asked for."""
    cells = cell_values(first), cell_values(second)
    there = tuple(spatial_frequency(grey) for grey in (first, second))
    here = tuple(value[_MARGIN:-_MARGIN, _MARGIN:-_MARGIN] for value in there)
    matched = at_match(cells[0], cells[1], there[1]), at_match(cells[1], cells[0], there[0])
    out = np.full(here[0].shape, 0.5, dtype=np.float32)
    out[(here[0] > matched[0]) & (here[1] < matched[1])] = 1
    out[(here[0] < matched[0]) & (here[1] > matched[1])] = 0
    return out


def at_match(cells: Floats, other: Floats, value: Floats) -> Floats:
    """Return a value of another frame at the place whose normalised descriptor is nearest.

    Parameters
    ----------
    cells, other : array (8, rows, cols) of float32
        `cell_values` of the frame and of the other one, with the margin.
    value : array (rows, cols) of float32
        With the margin.

    Returns
    -------
    array (rows - 42, cols - 42) of float32
    """
    rows, columns = (side - 2 * _MARGIN for side in value.shape)
    squares = over_cells(np.einsum("kij,kij->ij", other, other))
    length = np.sqrt(np.maximum(squares, np.float32(1e-30)))
    edge = _MARGIN - _CENTRES
    own = cells[:, edge : edge + rows + 2 * _CENTRES, edge : edge + columns + 2 * _CENTRES]
    best = np.full((rows, columns), -1, dtype=np.float32)
    out = value[_MARGIN:-_MARGIN, _MARGIN:-_MARGIN].copy()
    for down, across in _steps():
        y, x = edge + down, edge + across
        match = other[:, y : y + own.shape[1], x : x + own.shape[2]]
        alike = over_cells(np.einsum("kij,kij->ij", own, match))
        alike /= length[y : y + rows, x : x + columns]
        better = alike > best
        best[better] = alike[better]
        y, x = _MARGIN + down, _MARGIN + across
        out[better] = value[y : y + rows, x : x + columns][better]
    return out


def _steps() -> list[tuple[int, int]]:
    """Return the displacements, nearest first, so that of equal matches the nearest is taken."""
    reach = range(-SEARCH, SEARCH + 1)
    return sorted(((y, x) for y in reach for x in reach), key=lambda s: (s[0] ** 2 + s[1] ** 2, s))


def spatial_frequency(grey: Floats) -> Floats:
    """Return the root of the mean squared differences in a window, both directions together.

    Parameters
    ----------
    grey : array (rows, cols) of float32
    """
    squares = np.zeros_like(grey)
    squares[1:] += (grey[1:] - grey[:-1]) ** 2
    squares[:, 1:] += (grey[:, 1:] - grey[:, :-1]) ** 2
    mean = ndimage.uniform_filter(squares, WINDOW, mode="nearest")
    return np.asarray(np.sqrt(np.maximum(mean, 0)))
