"""A smooth rise between two levels."""

from __future__ import annotations

from typing import Any

from .arrays import clip


def smoothstep(t: Any, *, height: Any = 1.0) -> Any:
    """Return a cubic that rises from 0 at t = 0 to ``height`` at t = 1, level at both ends.

    Parameters
    ----------
    t : float or array of floats
        Below 0 counts as 0, above 1 as 1.
    height : float or array of floats
        Broadcasts against `t`.

    Returns
    -------
    float or array of floats
        ``height * t^2 (3 - 2 t)``, of the type that numpy gives the product.
    """
    t = clip(t, 0, 1)
    return height * t * t * (3 - 2 * t)
