"""The smooth part of a result's gain: exposure, vignetting, a slope of light."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..ground.types import Doubles

TERMS = 6  # of a quadratic surface
_ROUNDS = 8
_SOFT_STOPS = 0.01  # below this a deviation counts by its square, above by its size


def fit_shading(stops: npt.ArrayLike, known: npt.ArrayLike) -> Doubles:
    """Quadratic surface through a map of gains, by least absolute deviation.

    Parameters
    ----------
    stops : array_like
        Shape (H, W): gain at each place, stops.
    known : array_like
        Shape (H, W), bool: where it could be read.

    Returns
    -------
    array of float64
        The six coefficients, for `shading`. With fewer than 12 known places the surface is level
        at their median, and at 0 with none.
    """
    gains, use = np.asarray(stops, dtype=np.float64), np.asarray(known, dtype=bool)
    coefficients = np.zeros(TERMS)
    if np.count_nonzero(use) < 2 * TERMS:
        coefficients[0] = float(np.median(gains[use])) if use.any() else 0.0
        return coefficients
    columns, target = _terms(gains.shape)[use], gains[use]
    weight = np.ones(target.size)
    for _ in range(_ROUNDS):  # reweighted least squares: a local fault does not bend the surface
        root = np.sqrt(weight)
        coefficients = np.linalg.lstsq(columns * root[:, None], target * root)[0]
        weight = 1.0 / np.maximum(np.abs(target - columns @ coefficients), _SOFT_STOPS)
    return coefficients


def shading(coefficients: Doubles, shape: tuple[int, ...]) -> Doubles:
    """Evaluate a surface of `fit_shading` over a picture of any shape, (H, W), stops."""
    return _terms(shape) @ coefficients


def block_means(plane: npt.NDArray, block: int) -> Doubles:
    """Mean over blocks of a plane; what fills no block is left out."""
    rows, columns = (size // block for size in plane.shape)
    cut = plane[: rows * block, : columns * block].reshape(rows, block, columns, block)
    return cut.mean(axis=(1, 3), dtype=np.float64)


def _terms(shape: tuple[int, ...]) -> Doubles:
    """1, x, y and their products, x and y from -1 to 1 over the picture."""
    y, x = ((2.0 * np.arange(size) + 1.0) / size - 1.0 for size in shape)
    grid_y, grid_x = np.meshgrid(y, x, indexing="ij")
    ones = np.ones_like(grid_x)
    return np.stack([ones, grid_x, grid_y, grid_x**2, grid_x * grid_y, grid_y**2], axis=-1)
