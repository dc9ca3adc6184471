"""The least and the greatest of an array's values."""

from __future__ import annotations

from typing import Any

from .arrays import namespace, to_host


def extremes(values: Any) -> tuple[float, float]:
    """Return the least and the greatest value, for which a device is waited for once."""
    xp = namespace(values)
    low, high = to_host(xp.stack([xp.min(values), xp.max(values)])).tolist()
    return low, high
