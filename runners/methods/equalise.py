"""Equalise stage: bring the frames to one exposure, in linear light."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt

from runners.methods.align import Alignment
from runners.methods.geometry import covered, for_binned, resample
from runners.methods.stack import Stack

Gains = Mapping[int, npt.NDArray[np.float32]]
EqualiseStage = Callable[[Stack, Alignment], Gains]


def no_gain(stack: Stack, alignment: Alignment) -> Gains:
    """Leave the exposure of every frame as it is."""
    return {frame: np.ones(3, dtype=np.float32) for frame in alignment.used}


def channel_gain(stack: Stack, alignment: Alignment) -> Gains:
    """Find one gain per channel and frame, so that all show the subject equally bright.

    Defocus moves light but keeps its sum, so sums over the part that both frames show are
    compared, leaving out what is clipped in either. The median frame keeps its exposure.
    """
    base = stack.small(alignment.reference)
    ratios = {}
    for frame in alignment.used:
        own = stack.small(frame)
        matrix = for_binned(alignment.matrices.get(frame, np.eye(3)), stack.thumb_bin)
        light = resample(own.light, matrix, order=1)
        usable = covered(matrix, light.shape[:2]) & ~base.clipped
        usable &= resample(own.clipped.astype(np.float32), matrix, order=1) < 0.01
        if usable.mean() < 0.05:
            usable = np.ones_like(usable)
        ratios[frame] = base.light[usable].sum(axis=0) / np.maximum(
            light[usable].sum(axis=0), 1e-6 * usable.sum()
        )
    middle = np.median(np.stack(list(ratios.values())), axis=0)
    return {
        frame: np.clip(ratio / np.maximum(middle, 1e-6), 1 / 16, 16).astype(np.float32)
        for frame, ratio in ratios.items()
    }
