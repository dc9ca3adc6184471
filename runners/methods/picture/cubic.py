"""Cubic interpolation through an affine transform, in two passes along one axis each.

The first pass brings every place of a row into the column where it will be, the second into its
row (E. Catmull and A. R. Smith, "3-D transformations of images in scanline order", Computer
Graphics 14, 279, 1980; from memory). That takes eight neighbours instead of sixteen, and half the
time of a general resampling. It needs rows that stay rows, more or less: frames of one subject
are turned against each other by a degree.

The kernel is the cubic convolution with a = -1/2 (R. G. Keys, IEEE Trans. Acoustics, Speech, and
Signal Processing 29, 1153, 1981; from memory), exact for parabolas.
"""

from __future__ import annotations

import numpy as np

from ....ground.types import Doubles, Floats, Indices
from .strips import strips

# How far the edge is continued, so that all neighbours of a place outside are the edge.
_EDGE = 3
# A strip's places, weights and values: the arrays that must fit the cache.
_ARRAYS = 4


def resampled(planes: Floats, matrix: Doubles, rows: int) -> Floats:
    """Resample planes of one size; their edges are continued outside.

    Parameters
    ----------
    planes : array (planes, rows, cols) of float32
    matrix : array (3, 3)
        Affine; takes (x, y) in the result to (x, y) in the planes. Turns by less than 45 degrees.
    rows : int
        Of the result.

    Returns
    -------
    array (planes, rows, cols) of float32
    """
    (a, b, c), (d, e, f) = matrix[:2]
    height, width = planes.shape[1:]
    # x in the planes by x in the result and y in the planes.
    across = (a - b * d / e, b / e, c - b * f / e)
    ready = np.empty((len(planes), height + 2 * _EDGE, width), dtype=np.float32)
    for strip in strips(height, _ARRAYS * width):
        padded = np.pad(planes[:, strip], [(0, 0), (0, 0), (_EDGE, _EDGE)], mode="edge")
        x, share = _whole_and_share(across, width, strip, limit=width)
        first = x + np.arange(len(x))[:, None] * padded.shape[2]
        kept = slice(strip.start + _EDGE, strip.stop + _EDGE)
        _blend(padded.reshape(len(planes), -1), first, 1, share, out=ready[:, kept])
    ready[:, :_EDGE], ready[:, -_EDGE:] = ready[:, _EDGE, None], ready[:, -_EDGE - 1, None]
    out = np.empty((len(planes), rows, width), dtype=np.float32)
    for strip in strips(rows, _ARRAYS * width):
        y, share = _whole_and_share((d, e, f), width, strip, limit=height)
        first = y * width + np.arange(width)
        _blend(ready.reshape(len(planes), -1), first, width, share, out=out[:, strip])
    return out


def _whole_and_share(
    line: tuple[float, float, float], width: int, rows: slice, *, limit: int
) -> tuple[Indices, Floats]:
    """Split places x * line[0] + y * line[1] + line[2] on an axis that is `limit` long.

    Returns
    -------
    tuple of array (rows, width)
        Index of the first of four neighbours, given `_EDGE` more before the axis, and how far
        each place is from the second to the third, 0..1.
    """
    place = np.arange(width) * line[0] + (np.arange(rows.start, rows.stop) * line[1])[:, None]
    place += line[2]
    whole = np.floor(place)
    place -= whole
    np.clip(whole, 1 - _EDGE, limit, out=whole)
    whole += _EDGE - 1
    return whole.astype(np.intp), place.astype(np.float32)


def _blend(flat: Floats, first: Indices, apart: int, share: Floats, *, out: Floats) -> None:
    """Fill `out` with the cubic through four values `apart` from each other, from `first` on."""
    value = np.empty_like(share)
    weights = _weights(share)
    for plane, total in zip(flat, out, strict=True):
        # With a mode and an output, take need neither check nor copy.
        np.take(plane, first, out=total, mode="clip")
        np.multiply(total, weights[0], out=total)
        for number in (1, 2, 3):
            np.take(plane[number * apart :], first, out=value, mode="clip")
            value *= weights[number]
            np.add(total, value, out=total)


def _weights(share: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the weights of the four neighbours of a place this far from the second."""
    half, square = share * np.float32(0.5), share * share
    last = square * (half - np.float32(0.5))
    first = square - half - square * half
    third = half + square * (2 - 3 * half)
    return first, 1 - first - third - last, third, last
