"""The filters the focus measures are made of: stencils, box windows, derivatives.

Every function works on the last two axes of an array (..., rows, columns), keeps its floating
type and repeats the edge pixels outside the image.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from ...ground.types import Reals

ROWS, COLUMNS = -2, -1


def pad(image: Reals, reach: int) -> Reals:
    """Repeat the edge pixels `reach` times round the last two axes."""
    widths = [(0, 0)] * (image.ndim - 2) + [(reach, reach)] * 2
    return np.pad(image, widths, mode="edge")


def shifted(padded: Reals, reach: int, down: int, right: int) -> Reals:
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


def box_mean(image: Reals, window: int) -> Reals:
    """Mean over a square window of `window` pixels; its cost does not depend on the window."""
    return ndimage.uniform_filter(image, window, mode="nearest", axes=(ROWS, COLUMNS))


def box_variance(image: Reals, window: int) -> Reals:
    """Return the population variance inside a square window."""
    return box_moments(image, window)[1].astype(image.dtype, copy=False)


def box_moments(
    image: Reals, window: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Mean and population variance inside a square window.

    Sums are taken about the mean of the frame and kept in doubles: the difference of two nearly
    equal numbers is all there is of a faint texture on a bright ground.
    """
    level = image.mean(axis=(ROWS, COLUMNS), keepdims=True, dtype=np.float64).astype(image.dtype)
    centred = image - level
    mean = _double_mean(centred, window)
    variance = _double_mean(np.multiply(centred, centred, out=centred), window)
    variance -= mean * mean
    mean += level
    return mean, np.maximum(variance, 0.0, out=variance)


def _double_mean(image: Reals, window: int) -> npt.NDArray[np.float64]:
    axes = (ROWS, COLUMNS)
    return ndimage.uniform_filter(image, window, output=np.float64, mode="nearest", axes=axes)


def gaussian_derivative(image: Reals, sigma: float, axis: int) -> Reals:
    """First derivative along one axis (`ROWS`: downwards) of the image under a Gaussian."""
    order = [1 if axis == ROWS else 0, 1 if axis == COLUMNS else 0]
    return ndimage.gaussian_filter(image, sigma, order, mode="nearest", axes=(ROWS, COLUMNS))


def ratio(over: Reals, under: Reals) -> Reals:
    """Quotient of two arrays, 0 where the divisor is not positive (a black window)."""
    return np.divide(over, under, out=np.zeros_like(over), where=under > 0.0)


def sobel(image: Reals) -> tuple[Reals, Reals]:
    """Sobel derivatives to the right and down, not normalised (a unit slope gives 8)."""
    padded = pad(image, 1)
    mixed = padded[..., :-2, :] + padded[..., 2:, :]
    mixed += 2.0 * padded[..., 1:-1, :]
    right = mixed[..., 2:] - mixed[..., :-2]
    mixed = padded[..., :-2] + padded[..., 2:]
    mixed += 2.0 * padded[..., 1:-1]
    return right, mixed[..., 2:, :] - mixed[..., :-2, :]


def sobel_smooth(image: Reals) -> Reals:
    """Sum with the weights [1 2 1] down and across."""
    padded = pad(image, 1)
    mixed = padded[..., :-2, :] + padded[..., 2:, :]
    mixed += 2.0 * padded[..., 1:-1, :]
    total = mixed[..., :-2] + mixed[..., 2:]
    total += 2.0 * mixed[..., 1:-1]
    return total
