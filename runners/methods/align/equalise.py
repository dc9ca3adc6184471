"""Equalise stage: bring the frames to one exposure, in linear light.

A gain is three numbers, one per channel, or a coarse picture of them in the reference geometry.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from scipy import ndimage

from ....ground.types import Bools, Doubles, Floats
from ..picture.geometry import covered, for_binned, resample_bilinear
from ..picture.stack import InputStack
from .align import Alignment

Gains = Mapping[int, Floats]
EqualiseStage = Callable[[InputStack, Alignment], Gains]


def no_gain(stack: InputStack, alignment: Alignment) -> Gains:
    """Leave the exposure of every frame as it is."""
    return {frame: np.ones(3, dtype=np.float32) for frame in alignment.used}


def channel_gain(stack: InputStack, alignment: Alignment) -> Gains:
    """Find one gain per channel and frame, so that all show the subject equally bright.

    Defocus moves light but keeps its sum, so sums over the part that both frames show are
    compared, leaving out what is clipped in either. The median frame keeps its exposure.
    """
    ratios = {frame: _ratio(stack, alignment, frame) for frame in alignment.used}
    middle = np.maximum(np.median(np.stack(list(ratios.values())), axis=0), 1e-6)
    return {frame: _gain(ratio / middle) for frame, ratio in ratios.items()}


def _ratio(stack: InputStack, alignment: Alignment, frame: int) -> Doubles:
    """Return how much brighter per channel the reference shows what both show."""
    base = stack.small(alignment.reference).light
    light, usable = _overlap(stack, alignment, frame)
    total = light[usable].sum(axis=0)
    return np.asarray(base[usable].sum(axis=0) / np.maximum(total, 1e-6 * usable.sum()))


def _gain(ratio: Doubles) -> Floats:
    return np.clip(ratio, 1 / 16, 16).astype(np.float32)


def local_gain(stack: InputStack, alignment: Alignment, *, share: float = 0.1) -> Gains:
    """Find a gain that varies slowly over the picture, as when the flash moves with the hand.

    Parameters
    ----------
    share : float
        Width (sigma) of the smoothing against the shorter side of the picture. Defocus must not
        carry light further than this.
    """
    whole = channel_gain(stack, alignment)
    base = stack.small(alignment.reference).light
    reference_gain = whole.get(alignment.reference)
    if reference_gain is None:  # it is not among those that are merged
        first = alignment.used[0]
        reference_gain = whole[first] / _gain(_ratio(stack, alignment, first))
    sigma = (share * min(base.shape[:2]), share * min(base.shape[:2]), 0)
    fields = {}
    for frame, gain in whole.items():
        light, usable = _overlap(stack, alignment, frame)
        weight = usable[..., None].astype(np.float32)
        ours, theirs = (
            ndimage.gaussian_filter(weight * part, sigma) + np.float32(1e-4)
            for part in (light * gain, base * reference_gain)
        )
        fields[frame] = (gain * np.clip(theirs / ours, 0.5, 2)).astype(np.float32)
    return fields


def _overlap(stack: InputStack, alignment: Alignment, frame: int) -> tuple[Floats, Bools]:
    """Return a frame's small copy in the reference geometry, and where it can be compared."""
    base, own = stack.small(alignment.reference), stack.small(frame)
    matrix = for_binned(alignment.matrices.get(frame, np.eye(3)), stack.thumb_bin)
    light = resample_bilinear(own.light, matrix)
    usable = covered(matrix, light.shape[:2]) & ~base.clipped
    usable &= resample_bilinear(own.clipped.astype(np.float32), matrix) < 0.01
    return light, usable if usable.mean() >= 0.05 else np.ones_like(usable)
