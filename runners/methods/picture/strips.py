"""Strips of rows, short enough that a chain of array operations on one stays in the cache."""

from __future__ import annotations

from collections.abc import Iterator

# Values in a strip, e.g. float32: a few such arrays fit the second-level cache of a core.
_VALUES = 1 << 18


def strips(rows: int, values: int, *, multiple: int = 1) -> Iterator[slice]:
    """Cut rows into strips.

    Parameters
    ----------
    rows : int
        How many there are.
    values : int
        How many values one row holds.
    multiple : int
        Every strip but the last is a multiple of this many rows.
    """
    step = max(1, _VALUES // max(values, 1) // multiple) * multiple
    return (slice(start, min(start + step, rows)) for start in range(0, rows, step))
