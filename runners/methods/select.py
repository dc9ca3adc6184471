"""Select stage: which frames are worth using."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from runners.methods.stack import Stack

# A flash that did not fire leaves the ambient light: two stops and more below the others. A burst
# whose gain wanders by a stop must not lose frames.
MISFIRE_STOPS = 1.75

SelectStage = Callable[[Stack], tuple[int, ...]]


def everything(stack: Stack) -> tuple[int, ...]:
    """Choose all frames."""
    return tuple(range(len(stack)))


def well_exposed(stack: Stack) -> tuple[int, ...]:
    """Drop frames far darker than the median frame (the flash did not fire)."""
    levels = np.array([stack.small(frame).light.mean() for frame in range(len(stack))])
    floor = np.median(levels) * 2.0**-MISFIRE_STOPS
    return tuple(int(frame) for frame in np.flatnonzero(levels >= floor))


def middle_only(stack: Stack) -> tuple[int, ...]:
    """Choose the middle one of the well exposed frames."""
    usable = well_exposed(stack)
    return usable[(len(usable) - 1) // 2 :][:1]


def sharpest_only(stack: Stack) -> tuple[int, ...]:
    """Choose the one frame with the most sharpness over the whole picture, for its exposure."""
    usable = well_exposed(stack)
    sharpness = [
        float(stack.small(frame).sharpness.mean() / stack.small(frame).luma.mean())
        for frame in usable
    ]
    return (usable[int(np.argmax(sharpness))],)
