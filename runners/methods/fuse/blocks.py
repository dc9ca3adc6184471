"""Fusion of 8 x 8 blocks by the variance of their cosine transform."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ....ground.types import Floats, Labels
from ..align.aligned import AlignedFrames
from ..picture.neighbours import counted_about
from .fused import Fused

BLOCK_PX = 8
MAJORITY = 3


def dct_variance(aligned: AlignedFrames, *, majority: int = MAJORITY) -> Fused:
    """Take every 8 x 8 block from the frame where its variance is largest.

    The variance of a block is the sum of its squared cosine coefficients but the first, over 64.
    The transform is orthonormal, so this is the variance of the block's pixels, which is what is
    worked out here. A block that most of its neighbours outvote goes with them (consistency
    verification).

    Parameters
    ----------
    majority : int
        Side of the neighbourhood of the vote, blocks.

    References
    ----------
    M. B. A. Haghighat, A. Aghagolzadeh and H. Seyedarabi, "Multi-focus image fusion for visual
    sensor networks in DCT domain", Computers and Electrical Engineering 37, 789 (2011). Block
    size and vote from memory; with more than two frames the most frequent frame wins the vote.
    """
    best = np.full(_blocks(aligned.shape), -1, dtype=np.float32)
    label = np.full(best.shape, aligned.reference_position, dtype=np.int16)
    for index, frame in enumerate(aligned.greys()):
        variance = block_variance(frame.image)
        covered = block_means(frame.covered.astype(np.float32)) > 0.999
        better = (variance > best) & covered
        label[better] = index
        best[better] = variance[better]
    label = majority_label(label, len(aligned), majority)
    position = np.kron(label, np.ones((BLOCK_PX, BLOCK_PX), dtype=np.int16))
    position = position[: aligned.shape[0], : aligned.shape[1]]
    return Fused(aligned.taken(position), position.astype(np.float32))


def _blocks(shape: tuple[int, int]) -> tuple[int, int]:
    return -(-shape[0] // BLOCK_PX), -(-shape[1] // BLOCK_PX)


def block_means(image: Floats) -> Floats:
    """Average 8 x 8 blocks; a cut block at the far edge is filled by its last row and column."""
    rows, columns = _blocks(image.shape)
    fill = (
        (0, rows * BLOCK_PX - image.shape[0]),
        (0, columns * BLOCK_PX - image.shape[1]),
    )
    padded = np.pad(image, fill, mode="edge")
    return padded.reshape(rows, BLOCK_PX, columns, BLOCK_PX).mean(axis=(1, 3))


def block_variance(grey: Floats) -> Floats:
    """Return the population variance of every 8 x 8 block."""
    centred = grey - grey.mean(dtype=np.float32)
    return np.asarray(block_means(centred**2) - block_means(centred) ** 2)


def majority_label(label: Labels, count: int, window: int) -> Labels:
    """Give every place the label most frequent around it; in a tie it keeps its own.

    Parameters
    ----------
    count : int
        Labels are 0..count-1.
    window : int
        Side of the square that votes, odd.
    """
    out = label.copy()
    most: npt.NDArray[np.unsignedinteger] = np.zeros(label.shape, np.uint8)
    for value in range(count):
        here = label == value
        votes = counted_about(here, window)
        votes *= 4
        # A little extra for the label that is there already breaks ties its way.
        votes += here
        np.copyto(out, value, where=votes > most)
        most = np.maximum(most, votes)
    return out
