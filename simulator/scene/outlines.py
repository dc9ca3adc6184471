"""Distances to the outlines of natural things: a leaf blade and a snail shell."""

from __future__ import annotations

import numpy as np

from ...ground.arrays import namespace, single
from ...ground.types import Floats


def blade_distance(u: Floats, v: Floats, half_length: float, half_width: float) -> Floats:
    """Signed distance to a pointed oval, > 0 inside.

    Parameters
    ----------
    u, v : array
        Coordinates from its middle, u along it.
    half_length, half_width : float
        In the units of u and v; the two arcs meet in the tips at u = +-half_length.
    """
    radius = (half_length**2 + half_width**2) / (2 * half_width)
    xp = namespace(u)
    return single(radius) - xp.hypot(u, xp.abs(v) + single(radius - half_width))  # type: ignore[no-any-return]


def spiral_distance(u: Floats, v: Floats, radius: float, growth: float) -> Floats:
    """Signed distance to the outside of a shell, > 0 inside.

    The outline is a logarithmic spiral of one turn about (0, 0), closed by a straight mouth on
    the left, v = 0.

    Parameters
    ----------
    u, v : array
        Coordinates from the apex.
    radius : float
        Of the outline on the right (v = 0), in the units of u and v.
    growth : float
        Ratio of the radii one turn apart.
    """
    pitch = np.log(growth) / (2 * np.pi)
    xp = namespace(u)
    away = xp.hypot(u, v)
    edge = single(radius) * xp.exp(xp.atan2(v, u) * single(pitch))
    distance = (edge - away) / single(np.hypot(1, pitch))
    mouth = (u < 0) & (v >= 0) & (away > single(radius / np.sqrt(growth)))
    return xp.where(mouth, xp.minimum(distance, v), distance)  # type: ignore[no-any-return]
