"""What the square about each pixel holds, for squares so small that shifted copies are fastest."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt

from ....ground.types import Bools

Plane = TypeVar("Plane", bound=npt.NDArray[np.generic])


def largest_about(values: Plane, side: int) -> Plane:
    """Return the largest value in a square about each pixel; beyond an edge nothing counts.

    Parameters
    ----------
    values : array (rows, cols)
    side : int
        Of the square, px, odd.
    """
    for axis in (0, 1):
        found = values.copy()
        to, of = np.moveaxis(found, axis, 0), np.moveaxis(values, axis, 0)
        for away in range(1, min(_half(side), len(of) - 1) + 1):
            np.maximum(to[away:], of[:-away], out=to[away:])
            np.maximum(to[:-away], of[away:], out=to[:-away])
        values = found
    return values


def counted_about(marked: Bools, side: int) -> npt.NDArray[np.unsignedinteger]:
    """Return how many pixels of a square about each pixel are marked; an edge is continued.

    Parameters
    ----------
    marked : array (rows, cols) of bool
    side : int
        Of the square, px, odd.

    Returns
    -------
    array (rows, cols) of unsigned int
        In a type that holds five times the square's pixels.
    """
    kind = np.min_scalar_type(5 * side**2)
    count = np.pad(marked, _half(side), mode="edge").astype(kind)
    for axis in (0, 1):
        along = np.moveaxis(count, axis, 0)
        shorter = len(along) - side + 1
        total = along[:shorter].copy()
        for away in range(1, side):
            total += along[away : away + shorter]
        count = np.moveaxis(total, 0, axis)
    return count


def _half(side: int) -> int:
    if side < 1 or side % 2 == 0:
        raise ValueError(f"side: got {side}, allowed odd numbers from 1")
    return side // 2
