"""Merging pixels and doubling them, each with its transfer, so that it can be undone."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]


def merged(layers: Floats, factor: int, lead: tuple[int, int], shape: tuple[int, int]) -> Floats:
    """Return means over blocks of ``factor`` x ``factor`` samples.

    Parameters
    ----------
    layers : array (n, rows, cols)
    factor : int
        A power of two.
    lead : (rows, cols)
        Empty samples before the first one in its block.
    shape : (rows, cols)
        Of the result; samples that are missing count as 0.
    """
    full = np.zeros((len(layers), shape[0] * factor, shape[1] * factor), np.float32)
    full[:, lead[0] : lead[0] + layers.shape[1], lead[1] : lead[1] + layers.shape[2]] = layers
    while factor > 1:
        full = full[:, 0::2] + full[:, 1::2]
        full = full[:, :, 0::2] + full[:, :, 1::2]
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
    tall = _doubled_axis(layers, 1)[:, rows]
    return _doubled_axis(tall, 2)[:, :, cols]


def _doubled_axis(layers: Floats, axis: int) -> Floats:
    length = layers.shape[axis]
    out_shape = list(layers.shape)
    out_shape[axis] = 2 * length
    out = np.empty(out_shape, np.float32)
    near = layers * np.float32(0.75)
    far = layers * np.float32(0.25)

    def part(start: int, stop: int | None, step: int = 1) -> tuple[slice, ...]:
        index = [slice(None)] * layers.ndim
        index[axis] = slice(start, stop, step)
        return tuple(index)

    out[part(0, None, 2)] = near
    out[part(1, None, 2)] = near
    out[part(2, None, 2)] += far[part(0, length - 1)]
    out[part(0, 1)] += far[part(0, 1)]
    out[part(1, 2 * length - 1, 2)] += far[part(1, length)]
    out[part(2 * length - 1, 2 * length)] += far[part(length - 1, length)]
    return out


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
