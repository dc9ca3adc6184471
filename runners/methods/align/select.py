"""Select stage: which frames are worth using."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from scipy import ndimage

from ....ground.types import Doubles
from ..picture.stack import InputStack, binned
from .order import likeness

# A flash that did not fire leaves the ambient light: two stops and more below the others. A burst
# whose gain wanders by a stop must not lose frames.
MISFIRE_STOPS = 1.75
_CELLS_DOWN = 16

SelectStage = Callable[[InputStack], tuple[int, ...]]


def everything(stack: InputStack) -> tuple[int, ...]:
    """Choose all frames."""
    return tuple(range(len(stack)))


def well_exposed(stack: InputStack) -> tuple[int, ...]:
    """Drop frames far darker than the median frame (the flash did not fire)."""
    levels = np.array([stack.small(frame).light.mean() for frame in range(len(stack))])
    floor = np.median(levels) * 2.0**-MISFIRE_STOPS
    return tuple(int(frame) for frame in np.flatnonzero(levels >= floor))


def sharp_somewhere(
    stack: InputStack, *, near_best: float = 0.6, least_area: float = 0.02
) -> tuple[int, ...]:
    """Drop dark frames, and those that are nowhere about as sharp as the best (smear, a lost pass).

    Parameters
    ----------
    near_best : float
        Share of the sharpness of the sharpest frame, 0..1, that counts as about as sharp.
    least_area : float
        Share of the picture in which a frame must reach it.
    """
    usable = well_exposed(stack)
    relative = relative_sharpness(stack, usable)
    area = (relative >= near_best).mean(axis=1)
    kept = tuple(frame for frame, share in zip(usable, area, strict=True) if share >= least_area)
    return kept or usable


def greedy_cover(stack: InputStack, *, near_best: float = 0.8) -> tuple[int, ...]:
    """Choose few frames that together leave no gap: every part about as sharp as in any frame.

    Parameters
    ----------
    near_best : float
        Share of the best sharpness, 0..1, at which a part counts as covered.
    """
    usable = well_exposed(stack)
    relative = relative_sharpness(stack, usable)
    covers = relative >= near_best * relative.max(axis=0)
    missing = np.ones(covers.shape[1], dtype=bool)
    chosen: list[int] = []
    while missing.any():
        gains = (covers & missing).sum(axis=1)
        best = int(np.argmax(gains))
        chosen.append(usable[best])
        missing &= ~covers[best]
    return tuple(sorted(chosen))


def relative_sharpness(stack: InputStack, frames: Sequence[int]) -> Doubles:
    """Return the sharpness of every frame in coarse cells, as a share of the best frame's there.

    Frames are laid on each other by whole pixels of their small copies. Down and right are
    compared apart and the worse one counts, because smear takes sharpness in one direction only.

    Returns
    -------
    array (frames, cells)
        0..1.
    """
    shifts = likeness(stack, frames).shifts[(len(frames) - 1) // 2]
    grids = []
    for frame, shift in zip(frames, shifts, strict=True):
        small = stack.small(frame)
        level = max(float(small.luma.mean()), 1e-6)
        back = (-shift[1], -shift[0], 0)
        moved = ndimage.shift(small.steepness / np.float32(level), back, order=0, mode="nearest")
        grids.append(binned(moved, max(1, moved.shape[0] // _CELLS_DOWN)))
    values = np.stack(grids).reshape(len(grids), -1, 2).astype(float)
    return (values / np.maximum(values.max(axis=0), 1e-12)).min(axis=2)


def middle_only(stack: InputStack) -> tuple[int, ...]:
    """Choose the frame that a result is asked for in; else the middle well exposed one."""
    if stack.reference is not None:
        return (stack.reference,)
    usable = well_exposed(stack)
    return usable[(len(usable) - 1) // 2 :][:1]


def sharpest_only(stack: InputStack) -> tuple[int, ...]:
    """Choose the one frame with the most sharpness over the whole picture, for its exposure."""
    usable = well_exposed(stack)
    sharpness = [
        float(stack.small(frame).sharpness.mean())
        / max(float(stack.small(frame).luma.mean()), 1e-6)
        for frame in usable
    ]
    return (usable[int(np.argmax(sharpness))],)
