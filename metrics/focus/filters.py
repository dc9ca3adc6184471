"""The filters the focus measures are made of: stencils, box windows, separable kernels.

Every function works on the last two axes of an array (..., rows, columns), keeps its floating
type and repeats the edge pixels outside the image.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

FloatArray = npt.NDArray[np.floating[Any]]

ROWS, COLUMNS = -2, -1


def pad(image: FloatArray, reach: int) -> FloatArray:
    """Repeat the edge pixels `reach` times round the last two axes."""
    widths = [(0, 0)] * (image.ndim - 2) + [(reach, reach)] * 2
    return np.pad(image, widths, mode="edge")


def shifted(padded: FloatArray, reach: int, down: int, right: int) -> FloatArray:
    """View of the image `down` rows and `right` columns further on, in an array padded by `reach`.

    Parameters
    ----------
    padded : array (..., rows + 2 reach, columns + 2 reach)
        From `pad`.
    reach : int
        What it was padded by; at least the size of either shift.
    down, right : int
        Shift in pixels: the value at [i, j] is the image's at [i + down, j + right].
    """
    rows, columns = padded.shape[ROWS] - 2 * reach, padded.shape[COLUMNS] - 2 * reach
    return padded[..., reach + down : reach + down + rows, reach + right : reach + right + columns]


def box_mean(image: FloatArray, window: int) -> FloatArray:
    """Mean over a square window of `window` pixels; its cost does not depend on the window."""
    return ndimage.uniform_filter(image, window, mode="nearest", axes=(ROWS, COLUMNS))


def box_variance(image: FloatArray, window: int) -> FloatArray:
    """Return the population variance inside a square window.

    Worked in double precision about the mean of the frame: the difference of two nearly equal
    means is all there is of a faint texture on a bright ground.
    """
    level = image.mean(axis=(ROWS, COLUMNS), keepdims=True, dtype=np.float64)
    centred = image - level
    mean = box_mean(centred, window)
    square = box_mean(np.square(centred, out=centred), window)
    square -= np.square(mean, out=mean)
    return np.maximum(square, 0.0, out=square).astype(image.dtype, copy=False)


def separable(
    image: FloatArray, down: Sequence[float] | FloatArray, right: Sequence[float] | FloatArray
) -> FloatArray:
    """Correlate with the kernel whose column is `down` and whose row is `right`."""
    half = ndimage.correlate1d(image, np.asarray(down), axis=ROWS, mode="nearest")
    return ndimage.correlate1d(half, np.asarray(right), axis=COLUMNS, mode="nearest")


def ratio(over: FloatArray, under: FloatArray) -> FloatArray:
    """Quotient of two arrays, 0 where the divisor is not positive (a black window)."""
    return np.divide(over, under, out=np.zeros_like(over), where=under > 0.0)
