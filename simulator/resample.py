"""Merging pixels and doubling them, each with its transfer, so that it can be undone."""

from __future__ import annotations

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


def doubled(layer: Floats, rows: slice, cols: slice) -> Floats:
    """Return a layer at twice the samples, linearly between centres, cut to rows and cols."""
    wide = _doubled_axis(layer, 1)[:, cols]
    return _doubled_axis(wide, 0)[rows]


def _doubled_axis(layer: Floats, axis: int) -> Floats:
    """Make each sample two: 3/4 of it, and 1/4 of its neighbour on that side."""
    shape = list(layer.shape)
    pairs = np.empty((*shape[: axis + 1], 2, *shape[axis + 1 :]), np.float32)
    first, second = np.moveaxis(pairs, [axis + 1, axis], [0, 1])
    own = np.moveaxis(layer, axis, 0)
    near, far = np.float32(0.75) * own, np.float32(0.25) * own
    np.add(near[1:], far[:-1], out=first[1:])
    np.add(near[:-1], far[1:], out=second[:-1])
    first[0], second[-1] = own[0], own[-1]
    shape[axis] *= 2
    return pairs.reshape(shape)


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
