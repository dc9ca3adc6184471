"""Fusion by the activity of dense SIFT descriptors, refined by matching them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ....ground.types import Bools, Floats, Labels
from ..align.aligned import AlignedFrames
from ..picture.dense_sift import activity
from .choice import largest, mixed
from .dense_matching import sharper_share
from .fused import Fused

BLOCK_PX = 8
SURE = 0.99
AREA_PX = 3600.0
SEAM_SIGMA = 1.0
# Pairs of frames, for each frame, that are matched; what is rarer than those is averaged.
_PAIRS = 2


@dataclass(frozen=True, eq=False, slots=True)
class _Votes:
    """The two frames with most votes at every pixel, and the share of votes of the first."""

    first: Labels
    second: Labels
    share: Floats


def dense_sift(
    aligned: AlignedFrames, *, block: int = BLOCK_PX, area: float = AREA_PX, match: bool = True
) -> Fused:
    """Take each pixel from the frame that wins all blocks over it; where two do, match them.

    Every block of 8 x 8 pixels, at every pixel, votes for the frame with the largest sum of dense
    descriptors in it. A pixel all of whose blocks agree is decided, unless its region is small; a
    small undecided region within one frame's goes to that frame. Elsewhere the two frames
    with most votes are compared by matched descriptors, and averaged if that does not tell.
    Memory is independent of the number of frames.

    Parameters
    ----------
    block : int
        Side of a block, px.
    area : float
        Size of a small region of two frames, px; of more frames in proportion less.
    match : bool
        Whether what is undecided is matched, or all of it averaged.

    References
    ----------
    Y. Liu, S. Liu and Z. Wang, "Multi-focus image fusion with dense SIFT", Information Fusion 23,
    139 (2015). Scale 48 (cells of 6 px), blocks of 8 px, 0.99, 3600 px, search of 3 px and windows
    of 7 px as in the authors' published program, which merges two frames. Choices made here: all
    frames vote at once, and only the two with most votes are compared; areas in proportion;
    descriptors are scaled to unit length without a limit to single values; seams are blended by a
    Gaussian of 1 px.
    """
    votes = _votes(block_winners(aligned, block), block)
    first, second = votes.first, votes.second
    kept = without_small(
        np.where(votes.share > SURE, first, np.int16(-1)), 2 * area / max(len(aligned), 2)
    )
    second = _rival(kept, first, second)
    share = np.full(aligned.shape, 0.5, dtype=np.float32)
    decided = kept >= 0
    first = np.where(decided, kept, first)
    share[decided | (first == second)] = 1
    if match:
        _refine(aligned, first, second, share)
    return _taken(aligned, first, second, share)


def block_winners(aligned: AlignedFrames, block: int) -> Labels:
    """Return the frame with the largest activity in the block about each pixel.

    A block holds the pixels from `block` / 2 before to `block` / 2 - 1 after its own.
    """
    return largest(
        aligned, lambda grey: ndimage.uniform_filter(activity(grey), block, mode="nearest")
    )


def vote_share(winner: Labels, index: int, block: int) -> Floats:
    """Return the share of the blocks over each pixel that a frame wins, 0..1."""
    won = (winner == index).astype(np.float32)
    # The blocks that hold a pixel lie as the pixels of a block do, the other way round.
    return np.asarray(
        ndimage.uniform_filter(won, block, mode="nearest", origin=block % 2 - 1), dtype=np.float32
    )


def _votes(winner: Labels, block: int) -> _Votes:
    first, second = winner.copy(), np.full_like(winner, -1)
    most, next_most = (np.zeros(winner.shape, dtype=np.float32) for _ in range(2))
    for index in np.unique(winner):
        share = vote_share(winner, int(index), block)
        leads = share > most
        follows = ~leads & (share > next_most)
        second[leads], next_most[leads] = first[leads], most[leads]
        second[follows], next_most[follows] = index, share[follows]
        first[leads], most[leads] = index, share[leads]
    second[next_most < np.float32(0.5 / block**2)] = -1
    return _Votes(first, second, most)


def without_small(labels: Labels, area: float) -> Labels:
    """Undecide small regions, then decide small undecided ones that one label surrounds.

    Parameters
    ----------
    labels : array (rows, cols) of int16
        -1 is undecided.
    area : float
        What is smaller is small, px.
    """
    out = labels.copy()
    for index in np.unique(labels[labels >= 0]):
        out[_small_parts(labels == index, area)] = -1
    parts, count = ndimage.label(out < 0)
    if count == 0 or not (out >= 0).any():
        return out
    names = np.arange(count + 1)
    none = np.int16(np.iinfo(np.int16).max)
    low = ndimage.minimum_filter(np.where(out < 0, none, out), 3, mode="nearest")
    high = ndimage.maximum_filter(out, 3, mode="nearest")
    lowest, highest = (
        np.asarray(which(values, parts, names)).astype(np.int16)
        for which, values in ((ndimage.minimum, low), (ndimage.maximum, high))
    )
    sizes = np.bincount(parts.ravel(), minlength=count + 1)
    fill = (lowest == highest) & (sizes < area)
    fill[0] = False
    inside = fill[parts]
    out[inside] = lowest[parts[inside]]
    return out


def _small_parts(mask: Bools, area: float) -> Bools:
    parts, _ = ndimage.label(mask)
    small = np.bincount(parts.ravel()) < area
    small[0] = False
    return np.asarray(small[parts])


def _rival(kept: Labels, first: Labels, second: Labels) -> Labels:
    """Where no second frame has a vote, set the frame of the nearest decided pixel against it."""
    if not (kept >= 0).any():
        return np.where(second < 0, first, second)
    lone = (second < 0) & (kept < 0)
    out = np.where(second < 0, first, second)
    if lone.any():
        rows, columns = ndimage.distance_transform_edt(
            kept < 0, return_distances=False, return_indices=True
        )
        out[lone] = kept[rows[lone], columns[lone]]
    return out


def _refine(aligned: AlignedFrames, first: Labels, second: Labels, share: Floats) -> None:
    """Match the pairs of frames between which most pixels are undecided; change `share`."""
    for low, high, open_ in _open_pairs(first, second, share, _PAIRS * len(aligned)):
        lower, higher = (aligned.frame(index, grey=True).image for index in (low, high))
        found = sharper_share(lower, higher, open_)
        share[open_] = np.where(first == low, found, 1 - found)[open_]


def _open_pairs(
    first: Labels, second: Labels, share: Floats, most: int
) -> Iterator[tuple[int, int, Bools]]:
    """Yield the most frequent undecided pairs, the lesser frame first, and where they are."""
    undecided = share == np.float32(0.5)
    low, high = np.minimum(first, second), np.maximum(first, second)
    code = np.where(undecided, low.astype(np.int32) * 65536 + high, -1)
    pairs, counts = np.unique(code[undecided], return_counts=True)
    for pair in pairs[np.argsort(-counts, kind="stable")][:most]:
        yield int(pair) // 65536, int(pair) % 65536, code == pair


def _taken(aligned: AlignedFrames, first: Labels, second: Labels, share: Floats) -> Fused:
    """Mix the two frames of each pixel by the share of the first, with softened seams."""

    def share_of(index: int) -> Floats:
        part = np.where(first == index, share, 0) + np.where(second == index, 1 - share, 0)
        soft = ndimage.gaussian_filter(part.astype(np.float32), SEAM_SIGMA, mode="nearest")
        return np.asarray(soft)

    image, position = mixed(aligned, share_of)
    return Fused(image, np.clip(position, 0, len(aligned) - 1))
