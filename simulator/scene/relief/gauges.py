"""What every relief answers: its heights, its bounds and its steepest slope."""

from __future__ import annotations

from collections.abc import Callable
from functools import singledispatch
from typing import Any

from ....ground.types import Floats

# A gauge takes flat arrays x, y (mm) and returns heights toward the camera (mm).
Gauge = Callable[[Floats, Floats], Floats]


@singledispatch
def gauge(relief: Any, seed: int) -> Gauge:
    """Prepare a relief for a seed."""
    raise TypeError(f"not a relief: {relief!r}")


@singledispatch
def bounds_mm(relief: Any) -> tuple[float, float]:
    """Return the least and the greatest height, mm; no height of any seed lies outside."""
    raise TypeError(f"not a relief: {relief!r}")


@singledispatch
def max_slope(relief: Any) -> float:
    """Return a slope (mm per mm) that no part of the relief exceeds, for any seed."""
    raise TypeError(f"not a relief: {relief!r}")
