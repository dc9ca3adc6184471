"""Floors: fusions that do not look at sharpness."""

from __future__ import annotations

import numpy as np

from ..align.aligned import AlignedFrames
from .fused import Fused

_BLOCK_PX = 16


def one_frame(aligned: AlignedFrames) -> Fused:
    """Take the reference frame as it is."""
    return Fused(aligned.frame(aligned.reference_position).image)


def mean(aligned: AlignedFrames) -> Fused:
    """Average all frames, each where it shows something."""
    total = np.zeros((*aligned.shape, 3), dtype=np.float32)
    weight = np.zeros((*aligned.shape, 1), dtype=np.float32)
    for frame in aligned:
        total += frame.image * frame.covered[..., None]
        weight += frame.covered[..., None]
    total /= np.maximum(weight, 1)
    return Fused(total)


def random_blocks(aligned: AlignedFrames, *, seed: int = 0) -> Fused:
    """Take every block of the picture from a frame drawn at random: a focus map that knows nothing.

    Parameters
    ----------
    seed : int
        Of the draw; the same seed gives the same picture.
    """
    blocks = tuple(-(-side // _BLOCK_PX) for side in aligned.shape)
    drawn = np.random.default_rng(seed).integers(len(aligned), size=blocks)
    height, width = aligned.shape
    position = np.kron(drawn, np.ones((_BLOCK_PX, _BLOCK_PX), dtype=int))[:height, :width]
    return Fused(aligned.taken(position), position.astype(np.float32))
