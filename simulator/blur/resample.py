"""Merging pixels and doubling them, each with its transfer, so that it can be undone."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from ...ground.arrays import namespace, write
from ...ground.types import Floats


def merged(layer: Floats, factor: int, lead: tuple[int, int], shape: tuple[int, int]) -> Floats:
    """Return means over overlapping neighbourhoods, ``factor`` samples apart each way.

    Each halving shares a sample out over its own block and the nearer neighbour, 3/4 and 1/4, so
    that the light's centroid stays where it is; `doubled` is its transpose.

    Parameters
    ----------
    layer : array (rows, cols)
    factor : int
        A power of two.
    lead : (rows, cols)
        Empty samples before the first one; light is lost beyond the result's ends, so that one
        merged sample must be to spare on each side.
    shape : (rows, cols)
        Of the result; samples that are missing count as 0.
    """
    xp = namespace(layer)
    full: Floats = xp.zeros((shape[0] * factor, shape[1] * factor), dtype=xp.float32)
    full[lead[0] : lead[0] + layer.shape[0], lead[1] : lead[1] + layer.shape[1]] = layer
    while factor > 1:
        full = _halved(_halved(full, 0), 1)
        factor //= 2
    return full


def _halved(layer: Floats, axis: int) -> Floats:
    """Return every second sample's worth along an axis: 1/8, 3/8, 3/8 and 1/8 of four."""

    def along(part: slice) -> tuple[slice, ...]:
        return (part, slice(None)) if axis == 0 else (slice(None), part)

    pairs = layer[along(slice(0, None, 2))] + layer[along(slice(1, None, 2))]
    pairs *= 3 / 8
    pairs[along(slice(1, None))] += 1 / 8 * layer[along(slice(1, -1, 2))]
    pairs[along(slice(-1))] += 1 / 8 * layer[along(slice(2, None, 2))]
    return pairs


def boxing_transfer(frequency: npt.NDArray, factor: int) -> npt.NDArray:
    """Contrast left by seeing means of ``factor`` pixels at once, over cycles per such sample."""
    if factor == 1:
        return np.ones_like(frequency)
    fine = np.pi * np.abs(frequency) / factor
    safe = np.where(fine == 0, 1.0, fine)
    return np.where(fine == 0, 1.0, np.sin(factor * safe) / (factor * np.sin(safe)))


def doubled(layers: Floats, rows: slice, cols: slice) -> Floats:
    """Return layers at twice the samples, linearly between centres, cut to rows and cols."""
    xp = namespace(layers)
    wide = xp.empty((*layers.shape, 2), dtype=xp.float32)
    _double(layers, wide[..., 0], wide[..., 1], ())
    wide = xp.reshape(wide, (*layers.shape[:-1], -1))[..., cols]
    tall = xp.empty((*wide.shape[:-1], 2, wide.shape[-1]), dtype=xp.float32)
    _double(wide, tall[..., 0, :], tall[..., 1, :], (slice(None),))
    whole: Floats = xp.reshape(tall, (*wide.shape[:-2], -1, wide.shape[-1]))
    return whole[..., rows, :]


def _double(values: Floats, first: Floats, second: Floats, more: tuple[Any, ...]) -> None:
    """Make each sample two along an axis: 3/4 of it, and 1/4 of its neighbour on that side.

    ``more`` is the index of all of the axes after it.
    """
    start, end, later, earlier = (
        (..., part, *more) for part in (slice(1), slice(-1, None), slice(1, None), slice(-1))
    )
    near, far = 0.75 * values, 0.25 * values
    # The samples at both ends have no neighbour.
    first[start], second[end] = values[start], values[end]
    write("add", near[later], far[earlier], out=first[later])
    write("add", near[earlier], far[later], out=second[earlier])


def doubling_transfer(frequency: npt.NDArray, scale: int) -> npt.NDArray:
    """Contrast left by doubling from ``scale`` down to 1, over cycles per coarsest sample.

    One doubling spreads a sample with weights 1/4, 3/4, 3/4, 1/4: cos^3(pi f / 2). Merging takes
    as much.
    """
    transfer = np.ones_like(frequency)
    while scale > 1:
        frequency = frequency / 2
        transfer = transfer * np.cos(np.pi * frequency) ** 3
        scale //= 2
    return transfer
