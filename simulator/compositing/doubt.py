"""Where a picture laid from the middle of the pupil is in doubt, and which rectangles to redo."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter

from ...ground.arrays import clip, namespace, sent, to_host
from ...ground.chunks import beginning_px
from ...ground.types import Bools, Floats
from ..view.camera import Window
from .pile import PILE_REACH_PX

#: Side of the blocks that are decided on together, px.
BLOCK_PX = 8
#: A tile is rendered this far around itself where blocks are decided on: three blocks, that what is
#: decided in it does not depend on where it ends, and as many as what is laid there depends on.
MARGIN_PX = (3 + -(-PILE_REACH_PX // BLOCK_PX)) * BLOCK_PX
#: One count of blocks, or many.
Side = TypeVar("Side", int, npt.NDArray[np.intp])
#: A rectangle takes about as long as one that is so much larger all round: light comes from there.
_AROUND = 5


@dataclass(frozen=True, eq=False)
class Places:
    """What is to be seen through some number of cells.

    Parameters
    ----------
    cells : int
        That the pupil is cut into there.
    weight : array (rows, cols)
        Share of the picture through them at each pixel of the window decided on.
    parts : list of Window
        Rectangles that hold all of that in the tile; they do not overlap.
    """

    cells: int
    weight: Floats
    parts: list[Window]


def places(
    doubt: Floats, window: Window, tile: Window, cuts: Sequence[tuple[float, int]]
) -> list[Places]:
    """Decide where to cut the pupil, and how finely, from how much light is in doubt.

    Parameters
    ----------
    doubt : array (rows, cols)
        Light that may be laid wrong at each pixel of the window.
    window : Window
        On multiples of BLOCK_PX, around the tile.
    tile : Window
        What is wanted.
    cuts : sequence of (float, int)
        Light in doubt in a block from which on the pupil is cut there, rising, and into how many
        cells.
    """
    rows, cols = (n // BLOCK_PX for n in window.shape)
    xp = namespace(doubt)
    blocks = xp.reshape(doubt, (rows, BLOCK_PX, cols, BLOCK_PX))
    size = to_host(xp.sqrt(xp.mean(xp.square(blocks), axis=(1, 3))))
    # Where slopes vanish, as in the middle of a hair, the doubt is beside.
    size = maximum_filter(size, 3, mode="nearest")
    ramps = [_ramp(size >= least, xp) for least, _ in cuts]
    ramps.append(xp.zeros(window.shape, dtype=xp.float32))
    found = []
    for (_, cells), ramp, finer in zip(cuts, ramps[:-1], ramps[1:], strict=True):
        weight: Floats = ramp - finer
        found.append(Places(cells, weight, _parts(weight, window, tile)))
    return found


def _parts(weight: Floats, window: Window, tile: Window) -> list[Window]:
    """Return rectangles that hold all blocks of a window with any weight, as far as in a tile."""
    xp = namespace(weight)
    needed = xp.zeros(window.shape, dtype=xp.bool)
    here = tile.slices_in(window)
    needed[here] = weight[here] > 0
    rows, cols = (n // BLOCK_PX for n in window.shape)
    needed = xp.reshape(needed, (rows, BLOCK_PX, cols, BLOCK_PX))
    blocks: Bools = to_host(xp.any(needed, axis=(1, 3)))
    corner = (window.row0, window.row0, window.col0, window.col0)
    whole = [
        Window(*(edge * BLOCK_PX + first for edge, first in zip(part, corner, strict=True)))
        for part in _rectangles(blocks, beginning_px(xp) // BLOCK_PX**2)
    ]
    return [part.common(tile) for part in whole]


def _ramp(core: Bools, xp: Any) -> Floats:
    """Return 1 in the blocks of a mask, falling to 0 in the middle of the blocks beside it."""
    # A block counts in full: so much is left of 1 at its corners after the interpolation.
    wide = np.pad(core.astype(np.float32), 1, mode="edge")
    spread = sent(maximum_filter(wide, 3), xp)
    at = (np.arange(core.shape[0] * BLOCK_PX) + 0.5) / BLOCK_PX + 0.5
    across = (np.arange(core.shape[1] * BLOCK_PX) + 0.5) / BLOCK_PX + 0.5
    down = _between(spread, at)
    return clip(2 * _between(down.T, across).T - 1, 0, 1)  # type: ignore[no-any-return]


def _between(values: Floats, at: npt.NDArray) -> Floats:
    xp = namespace(values)
    low = np.clip(np.floor(at).astype(np.intp), 0, values.shape[0] - 2)
    share = sent((at - low).astype(np.float32)[:, None], xp)
    first, second = (xp.take(values, sent(row, xp), axis=0) for row in (low, low + 1))
    return first * (1 - share) + second * share  # type: ignore[no-any-return]


def _rectangles(needed: Bools, each: int) -> Iterator[tuple[int, int, int, int]]:
    """Yield rectangles (row0, row1, col0, col1) that hold a mask, as cheap as cuts can make them.

    A rectangle is cut in two where the two halves, shrunk to what they hold, are the cheapest,
    though each costs so much more than what it holds.
    """
    box = _box(needed)
    if box is None:
        return
    row0, row1, col0, col1 = box
    inside = needed[row0:row1, col0:col1]
    down = _halves_cost(inside)
    costs = np.concatenate([down, _halves_cost(inside.T)])
    if not len(costs) or costs.min() + each >= _cost(row1 - row0, col1 - col0):
        yield box
        return
    best = int(np.argmin(costs))
    axis, at = (0, best + 1) if best < len(down) else (1, best - len(down) + 1)
    for half, first in zip(np.split(inside, [at], axis), (0, at), strict=True):
        below, beside = (row0 + first, col0) if axis == 0 else (row0, col0 + first)
        for r0, r1, c0, c1 in _rectangles(half, each):
            yield r0 + below, r1 + below, c0 + beside, c1 + beside


def _halves_cost(inside: Bools) -> npt.NDArray[np.intp]:
    """Return what the two halves cost where a mask is cut before its second row, third, ...

    Parameters
    ----------
    inside : array (rows, cols)
        Its first row and its last hold something.
    """
    count = len(inside)
    cost = np.zeros(count - 1, np.intp)
    for way in (slice(None), slice(None, None, -1)):
        mask = inside[way]
        filled = np.maximum.accumulate(np.where(mask.any(axis=1), np.arange(1, count + 1), 0))
        held = np.maximum.accumulate(mask, axis=0)
        width = mask.shape[1] - held.argmax(axis=1) - held[:, ::-1].argmax(axis=1)
        # The half that grows from this end, up to each cut.
        cost += _cost(filled, width)[:-1][way]
    return cost


def _box(needed: Bools) -> tuple[int, int, int, int] | None:
    """Return the rectangle that a mask fills, or None of an empty one."""
    rows, cols = np.flatnonzero(needed.any(axis=1)), np.flatnonzero(needed.any(axis=0))
    if len(rows) == 0:
        return None
    return int(rows[0]), int(rows[-1]) + 1, int(cols[0]), int(cols[-1]) + 1


def _cost(rows: Side, cols: Side) -> Side:
    """Return how long a rectangle of blocks takes, or several do."""
    return (rows + 2 * _AROUND) * (cols + 2 * _AROUND)
