"""Choosing the parts of a picture to show: where methods differ most, and where all fail."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ....ground.types import Bools, Doubles, Floats

#: Errors count over a neighbourhood of this size, px: one noisy pixel is no failure.
_NEAR_PX = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Crop:
    """A part of a picture, px."""

    top: int
    left: int
    height: int
    width: int

    @property
    def area(self) -> tuple[slice, slice]:
        """Rows and columns, to index an array with."""
        rows = slice(self.top, self.top + self.height)
        return rows, slice(self.left, self.left + self.width)


def disagreement(images: Sequence[Floats]) -> Floats:
    """Return how far pictures lie apart: standard deviation over them, rms of the channels.

    Parameters
    ----------
    images : sequence of arrays (rows, cols, 3)
        NaN counts as the mean of the others.

    Returns
    -------
    array (rows, cols)
        0 where one picture or none is known.
    """
    pile = np.ma.masked_invalid(np.stack(images))
    return np.sqrt(np.square(pile.std(axis=0).filled(0)).mean(axis=2)).astype(np.float32)


def hardest(errors: Sequence[Floats]) -> Floats:
    """Return the error of the best method at each point, over its neighbourhood.

    Parameters
    ----------
    errors : sequence of arrays (rows, cols)
        One a method, NaN where not judged.

    Returns
    -------
    array (rows, cols)
        NaN where no method is judged.
    """
    near = np.stack([_over_neighbourhood(error) for error in errors])
    known = np.isfinite(near).any(axis=0)
    least = np.where(np.isfinite(near), near, np.inf).min(axis=0)
    return np.where(known, least, np.nan).astype(np.float32)


def _over_neighbourhood(error: Floats) -> Floats:
    """Return the rms error near each judged point."""
    judged = np.isfinite(error)
    weight = ndimage.gaussian_filter(judged.astype(np.float32), _NEAR_PX)
    square = ndimage.gaussian_filter(np.square(np.nan_to_num(error)), _NEAR_PX)
    near = np.sqrt(square / np.maximum(weight, 1e-6))
    return np.where(judged, near, np.float32(np.nan))


def best_crops(
    worth: Floats,
    *,
    size: tuple[int, int],
    count: int,
    taken: Sequence[Crop] = (),
    overlap: float = 0.25,
) -> Iterator[Crop]:
    """Yield the crops that hold most, best first, hardly overlapping.

    Parameters
    ----------
    worth : array (rows, cols)
        What a pixel is worth, >= 0; NaN is worth nothing.
    size : (rows, cols)
        Of a crop; cut to the picture.
    count : int
        At most this many.
    taken : sequence of Crop
        New ones must not lie on these either.
    overlap : float
        Share of a crop that may lie in another one, 0..1.
    """
    held, placed = _held(np.nan_to_num(worth), size), list(taken)
    height, width = (min(want, have) for want, have in zip(size, worth.shape, strict=True))
    for _ in range(count):
        for other in placed:
            held[_too_near(other, held.shape, (height, width), overlap)] = -1
        top, left = divmod(int(np.argmax(held)), held.shape[1])
        if held[top, left] < 0:
            return
        placed.append(Crop(top=top, left=left, height=height, width=width))
        yield placed[-1]


def _held(worth: Floats, size: tuple[int, int]) -> Doubles:
    """Return what a crop holds for each place of its upper left corner."""
    rows, cols = worth.shape
    height, width = min(size[0], rows), min(size[1], cols)
    sums = np.zeros((rows + 1, cols + 1))
    sums[1:, 1:] = worth.cumsum(axis=0, dtype=float).cumsum(axis=1)
    bands = sums[height:] - sums[:-height]
    return bands[:, width:] - bands[:, :-width]


def _too_near(other: Crop, shape: tuple[int, ...], size: tuple[int, int], overlap: float) -> Bools:
    """Return for which corners a crop would lie too much on another one."""
    shared = [
        np.clip(np.minimum(at + side, start + length) - np.maximum(at, start), 0, None)
        for at, side, start, length in (
            (np.arange(shape[0]), size[0], other.top, other.height),
            (np.arange(shape[1]), size[1], other.left, other.width),
        )
    ]
    return np.outer(shared[0], shared[1]) > overlap * size[0] * size[1]
