"""Checks and averages that every metric shares."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..ground.types import Bools, Floats

_DIMENSIONS = (2, 3)


def unit_image(image: npt.ArrayLike, *, data_range: float, name: str) -> Floats:
    """Give the image as float32, divided by its data range.

    Parameters
    ----------
    image : array_like
        Shape (H, W) or (H, W, 3), any real type.
    data_range : float
        The value of white; black is 0.
    name : str
        What to call the image in an error message.

    Raises
    ------
    ValueError
        Wrong shape, a value that is not finite, or a data range that is not positive.
    """
    array = np.asarray(image)
    if not (np.isfinite(data_range) and data_range > 0):
        raise ValueError(f"data_range must be positive and finite, got {data_range!r}")
    if array.dtype == bool or not np.issubdtype(array.dtype, np.number) or array.dtype.kind == "c":
        raise ValueError(f"{name} must hold real numbers, got type {array.dtype}")
    if array.ndim not in _DIMENSIONS or (array.ndim == 3 and array.shape[2] != 3):
        raise ValueError(f"{name} must have shape (H, W) or (H, W, 3), got {array.shape}")
    if array.size == 0:
        raise ValueError(f"{name} must hold at least one pixel, got shape {array.shape}")
    scaled = np.multiply(array, 1.0 / data_range, dtype=np.float32, casting="unsafe")
    if not np.isfinite(scaled).all():
        bad = int(np.count_nonzero(~np.isfinite(scaled)))
        raise ValueError(f"{name} must be finite, got {bad} values that are NaN or infinite")
    return scaled


def require_same_shape(**arrays: npt.NDArray) -> None:
    """Refuse arrays of different shapes, naming them and their shapes."""
    shapes = {name: array.shape for name, array in arrays.items()}
    if len(set(shapes.values())) > 1:
        told = ", ".join(f"{name} {shape}" for name, shape in shapes.items())
        raise ValueError(f"shapes must be equal, got {told}")


def as_mask(mask: npt.ArrayLike | None, shape: tuple[int, ...]) -> Bools:
    """Give the mask as booleans of the picture's height and width; None means everywhere."""
    size = shape[:2]
    if mask is None:
        return np.ones(size, dtype=bool)
    array = np.asarray(mask)
    if array.dtype != bool:
        raise ValueError(f"mask must be boolean, got type {array.dtype}")
    if array.shape != size:
        raise ValueError(f"mask must have the shape of the picture {size}, got {array.shape}")
    return array


def mean_over(values: npt.NDArray, mask: Bools) -> float:
    """Mean of a map over a mask in double precision; NaN for an empty mask."""
    chosen = values[mask]
    return float(chosen.mean(dtype=np.float64)) if chosen.size else float("nan")


def interior(mask: Bools, border: int) -> Bools:
    """Cut a border of so many pixels off the mask."""
    inner = np.zeros_like(mask)
    window = (slice(border, mask.shape[0] - border), slice(border, mask.shape[1] - border))
    inner[window] = mask[window]
    return inner
