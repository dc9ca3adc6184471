"""What methods that choose a frame share: the frame of the largest value, and a mix by shares."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ....ground.types import Floats, Labels
from ..align.aligned import AlignedFrames


def largest(aligned: AlignedFrames, measure: Callable[[Floats], Floats]) -> Labels:
    """Return the position of the frame of the largest value of a measure at each pixel.

    A frame counts where it shows something; the reference stands where none does.

    Parameters
    ----------
    measure : callable
        Takes a grey picture (rows, cols) and returns its values, above -1.
    """
    best = np.full(aligned.shape, -1, dtype=np.float32)
    winner = np.full(aligned.shape, aligned.reference_position, dtype=np.int16)
    for index, frame in enumerate(aligned.greys()):
        value = measure(frame.image)
        better = (value > best) & frame.covered
        winner[better] = index
        best[better] = value[better]
    return winner


def mixed(aligned: AlignedFrames, share_of: Callable[[int], Floats]) -> tuple[Floats, Floats]:
    """Mix the frames by the shares that each has of the pixels.

    Where a frame shows nothing it counts a thousandth. Frames without a share are not read.

    Parameters
    ----------
    share_of : callable
        Takes a position in the order of depth, returns shares (rows, cols) of float32.

    Returns
    -------
    image : array (rows, cols, 3) of float32
    position : array (rows, cols) of float32
        Mean position, by the shares; they may add up to a rounding more than 1.
    """
    out = np.zeros((*aligned.shape, 3), dtype=np.float32)
    total = np.full((*aligned.shape, 1), 1e-6, dtype=np.float32)
    position = np.zeros(aligned.shape, dtype=np.float32)
    for index in range(len(aligned)):
        share = share_of(index)
        if not share.any():
            continue
        frame = aligned.frame(index)
        weight = (share * np.where(frame.covered, 1, np.float32(1e-3)))[..., None]
        out += weight * frame.image
        total += weight
        position += share * np.float32(index)
    return out / total, position
