"""Merging pixels and doubling them, each with its transfer, so that it can be undone."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]


def merged(layer: Floats, factor: int, lead: tuple[int, int], shape: tuple[int, int]) -> Floats:
    """Return means over blocks of ``factor`` x ``factor`` samples.

    Parameters
    ----------
    layer : array (rows, cols)
    factor : int
        A power of two.
    lead : (rows, cols)
        Empty samples before the first one in its block.
    shape : (rows, cols)
        Of the result; samples that are missing count as 0.
    """
    full = np.zeros((shape[0] * factor, shape[1] * factor), np.float32)
    full[lead[0] : lead[0] + layer.shape[0], lead[1] : lead[1] + layer.shape[1]] = layer
    while factor > 1:
        full = full[0::2] + full[1::2]
        full = full[:, 0::2] + full[:, 1::2]
        full *= np.float32(0.25)
        factor //= 2
    return full


def merging_transfer(frequency: npt.NDArray, factor: int) -> npt.NDArray:
    """Contrast left by merging, over cycles per merged sample."""
    if factor == 1:
        return np.ones_like(frequency)
    fine = np.pi * np.abs(frequency) / factor
    safe = np.where(fine == 0, 1.0, fine)
    return np.where(fine == 0, 1.0, np.sin(factor * safe) / (factor * np.sin(safe)))


def doubled(layers: Floats, rows: slice, cols: slice) -> Floats:
    """Return layers at twice the samples, linearly between centres, cut to rows and cols."""
    wide = np.empty((*layers.shape, 2), np.float32)
    _double(layers, wide[..., 0], wide[..., 1], (..., slice(1, None)), (..., slice(-1)))
    wide = wide.reshape(*layers.shape[:-1], -1)[..., cols]
    tall = np.empty((*wide.shape[:-1], 2, wide.shape[-1]), np.float32)
    later, earlier = (..., slice(1, None), slice(None)), (..., slice(-1), slice(None))
    _double(wide, tall[..., 0, :], tall[..., 1, :], later, earlier)
    return tall.reshape(*wide.shape[:-2], -1, wide.shape[-1])[..., rows, :]


def _double(values: Floats, first: Floats, second: Floats, later: Any, earlier: Any) -> None:
    """Make each sample two along an axis: 3/4 of it, and 1/4 of its neighbour on that side.

    ``later`` takes all but the first sample of the axis, ``earlier`` all but the last.
    """
    near, far = np.float32(0.75) * values, np.float32(0.25) * values
    # The samples at both ends have no neighbour.
    first[...] = second[...] = values
    np.add(near[later], far[earlier], out=first[later])
    np.add(near[earlier], far[later], out=second[earlier])


def doubling_transfer(frequency: npt.NDArray, scale: int) -> npt.NDArray:
    """Contrast left by doubling from ``scale`` down to 1, over cycles per coarsest sample.

    One doubling spreads a sample with weights 1/4, 3/4, 3/4, 1/4: cos^3(pi f / 2).
    """
    transfer = np.ones_like(frequency)
    while scale > 1:
        frequency = frequency / 2
        transfer = transfer * np.cos(np.pi * frequency) ** 3
        scale //= 2
    return transfer
