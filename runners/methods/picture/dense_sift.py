"""Dense SIFT descriptors: at every pixel, histograms of gradient directions in 4 x 4 cells.

C. Liu, J. Yuen and A. Torralba, "SIFT flow: dense correspondence across scenes and its
applications", IEEE Trans. PAMI 33, 978 (2011), after D. Lowe (2004). Eight directions, each taking
of a gradient the ninth power of the cosine between them; cells gather with a linear fall to their
neighbours' centres. Constants as in their published program, but centred on the pixel.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from ....ground.types import Floats

DIRECTIONS = 8
CELLS = 4
CELL_PX = 6
SIGMA = 1.0
#: How far from a pixel its descriptor looks, px.
REACH = CELL_PX * (CELLS - 1) // 2 + CELL_PX + 2
_FALL = (1 - np.abs(np.arange(1 - CELL_PX, CELL_PX)) / CELL_PX).astype(np.float32)
# All cells together along one axis: falls that overlap so that their sum is flat.
_ALL_CELLS = np.convolve(
    np.kron(np.ones(CELLS), np.eye(1, CELL_PX))[0][: CELL_PX * (CELLS - 1) + 1], _FALL
).astype(np.float32)
_COS, _SIN = (
    turn(2 * np.pi * np.arange(DIRECTIONS) / DIRECTIONS).astype(np.float32)
    for turn in (np.cos, np.sin)
)


def directed(grey: Floats) -> Floats:
    """Return how much of each pixel's gradient points in each direction.

    Parameters
    ----------
    grey : array (rows, cols) of float32

    Returns
    -------
    array (8, rows, cols) of float32
        Not negative; number k is for the direction at k 45 degrees from across towards down. A
        slope of 1 gives 0.92, for the Gaussian of the derivative is cut at 2 px.
    """
    down, across = (
        ndimage.gaussian_filter(grey, SIGMA, order=order, mode="nearest", truncate=2)
        for order in ((1, 0), (0, 1))
    )
    length = np.hypot(down, across)
    unit = 1 / np.maximum(length, np.float32(1e-20))
    out = np.empty((DIRECTIONS, *grey.shape), dtype=np.float32)
    for k in range(DIRECTIONS):
        cosine = (across * _COS[k] + down * _SIN[k]) * unit
        np.maximum(cosine, 0, out=cosine)
        squared = cosine * cosine
        np.multiply(squared * squared * squared * squared * cosine, length, out=out[k])
    return out


def activity(grey: Floats) -> Floats:
    """Return the sum of all values of each pixel's descriptor, before it is normalised.

    All that a descriptor does is linear in `directed`, so that its sum is one convolution.

    Parameters
    ----------
    grey : array (rows, cols) of float32
    """
    return _both_ways(directed(grey).sum(axis=0), _ALL_CELLS)


def cell_values(grey: Floats) -> Floats:
    """Return what a cell about each pixel gathers, shape (8, rows, cols).

    Parameters
    ----------
    grey : array (rows, cols) of float32
    """
    return np.stack([_both_ways(plane, _FALL) for plane in directed(grey)])


def over_cells(values: Floats) -> Floats:
    """Add up the values at the centres of the 4 x 4 cells about each pixel.

    Parameters
    ----------
    values : array (rows, cols)

    Returns
    -------
    array (rows - 18, cols - 18)
        For the pixels whose cells all have their centres inside.
    """
    wide = CELL_PX * (CELLS - 1)
    rows, columns = values.shape[0] - wide, values.shape[1] - wide
    tall = np.zeros((rows, values.shape[1]), dtype=values.dtype)
    out = np.zeros((rows, columns), dtype=values.dtype)
    for k in range(0, wide + 1, CELL_PX):
        tall += values[k : k + rows]
    for k in range(0, wide + 1, CELL_PX):
        out += tall[:, k : k + columns]
    return out


def _both_ways(plane: Floats, kernel: Floats) -> Floats:
    down = ndimage.correlate1d(plane, kernel, axis=0, mode="nearest")
    return np.asarray(ndimage.correlate1d(down, kernel, axis=1, mode="nearest"))
