"""Where a picture laid from the middle of the pupil is in doubt, and what to cut there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter

from ..view.camera import Window
from .levels import Level

Floats = npt.NDArray[np.float32]
Counts = npt.NDArray[np.intp]

#: Side of the blocks that are decided on together, px.
BLOCK_PX = 8
#: A tile is rendered this far around itself where blocks are decided on: whole blocks beside it.
MARGIN_PX = 3 * BLOCK_PX
#: Blocks are rendered in rectangles of whole squares of so many blocks.
_SQUARE = 6
#: Error left by a number of cells, as a power of it: measured on two textured layers.
_GAIN = 0.8


@dataclass(frozen=True, eq=False)
class Places:
    """What is to be seen through cells.

    Parameters
    ----------
    weight : array (rows, cols)
        Share of the picture through cells at each pixel of the window decided on.
    parts : list of (int, Window)
        Numbers of cells and the rectangles that they are for; they do not overlap.
    """

    weight: Floats
    parts: list[tuple[int, Window]]


def places(doubt: Floats, window: Window, level: Level) -> Places:
    """Decide where to cut the pupil, from how much light is in doubt.

    Parameters
    ----------
    doubt : array (rows, cols)
        Light that may be laid wrong at each pixel of the window.
    window : Window
        On multiples of BLOCK_PX.
    level : Level
    """
    assert level.error is not None
    rows, cols = (n // BLOCK_PX for n in window.shape)
    blocks = doubt.reshape(rows, BLOCK_PX, cols, BLOCK_PX)
    size = np.sqrt(np.square(blocks).mean(axis=(1, 3)))
    # Where slopes vanish, as in the middle of a hair, the doubt is beside.
    size = maximum_filter(size, 3, mode="nearest")
    core = size >= level.error
    weight = _ramp(core)
    needed = np.zeros(size.shape, np.intp)
    share = size / max(level.error, 1e-9)
    for count in level.counts:
        needed[core & (needed == 0) & (share <= count**_GAIN)] = count
    needed[core & (needed == 0)] = level.counts[-1]
    # The ramp goes half a block beyond.
    needed = maximum_filter(needed, 3, mode="nearest")
    parts = [
        (count, Window(*(edge * BLOCK_PX for edge in square)))
        for count, square in _rectangles(_squared(needed, window))
    ]
    return Places(weight, [(count, _moved(part, window)) for count, part in parts])


def _ramp(core: npt.NDArray[np.bool_]) -> Floats:
    """Return 1 in the blocks of a mask, falling to 0 in the middle of the blocks beside it."""
    # A block counts in full: so much is left of 1 at its corners after the interpolation.
    wide = np.pad(core.astype(np.float32), 1, mode="edge")
    spread = maximum_filter(wide, 3)
    at = (np.arange(core.shape[0] * BLOCK_PX) + 0.5) / BLOCK_PX + 0.5
    across = (np.arange(core.shape[1] * BLOCK_PX) + 0.5) / BLOCK_PX + 0.5
    down = _between(spread, at)
    return np.clip(2 * _between(down.T, across).T - 1, 0, 1)


def _between(values: Floats, at: npt.NDArray) -> Floats:
    low = np.clip(np.floor(at).astype(np.intp), 0, len(values) - 2)
    share = (at - low).astype(np.float32)[:, None]
    return values[low] * (1 - share) + values[low + 1] * share


def _squared(needed: Counts, window: Window) -> Counts:
    """Return the most that any block of a square needs; squares lie on multiples of their side."""
    lead = [(edge // BLOCK_PX) % _SQUARE for edge in (window.row0, window.col0)]
    shape = [n + first for n, first in zip(needed.shape, lead, strict=True)]
    whole = np.zeros([-(-n // _SQUARE) * _SQUARE for n in shape], np.intp)
    whole[lead[0] : shape[0], lead[1] : shape[1]] = needed
    rows, cols = (n // _SQUARE for n in whole.shape)
    return whole.reshape(rows, _SQUARE, cols, _SQUARE).max(axis=(1, 3))


def _rectangles(squares: Counts) -> Iterator[tuple[int, tuple[int, int, int, int]]]:
    """Yield rectangles of squares of one number, (row0, row1, col0, col1) in blocks."""
    left = squares.copy()
    for row, col in zip(*np.nonzero(squares), strict=True):
        count = left[row, col]
        if count == 0:
            continue
        last = col
        while last + 1 < left.shape[1] and left[row, last + 1] == count:
            last += 1
        low = row
        while low + 1 < left.shape[0] and (left[low + 1, col : last + 1] == count).all():
            low += 1
        left[row : low + 1, col : last + 1] = 0
        edges = (row, low + 1, col, last + 1)
        yield int(count), tuple(int(edge) * _SQUARE for edge in edges)  # type: ignore[misc]


def _moved(part: Window, window: Window) -> Window:
    """Return a rectangle, counted from the first square, in the picture's pixels."""
    side = _SQUARE * BLOCK_PX
    row, col = (edge // side * side for edge in (window.row0, window.col0))
    return Window(part.row0 + row, part.row1 + row, part.col0 + col, part.col1 + col)
