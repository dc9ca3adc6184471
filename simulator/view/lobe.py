"""The lobe of light that a rough boundary mirrors: microfacets, masked, by Fresnel's formulae.

Walter, Marschner, Li and Torrance 2007, Microfacet models for refraction through rough surfaces,
Eurographics Symposium on Rendering; numbers of equations below are theirs.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ...ground.types import Reals

#: A cosine is taken to be at least this: nothing is seen along a surface.
_LEAST_COSINE = np.float32(1e-3)
_TINY = np.float32(1e-20)


def facets(cosine: Reals, roughness: float) -> Reals:
    """Return the GGX distribution of the facets' normals, per steradian (33).

    Parameters
    ----------
    cosine : array
        Between a facet's normal and that of the surface, > 0.
    roughness : float
        Alpha.
    """
    square = cosine * cosine
    width = np.float32(roughness**2)
    return width / (np.float32(np.pi) * (square * (width - 1) + 1) ** 2)


def unmasked(cosine: Reals, roughness: float) -> Reals:
    """Return the share of the facets that a direction sees or lights, by Smith (34).

    Parameters
    ----------
    cosine : array
        Between the direction and the surface's normal; 0 where it is not above the surface.
    roughness : float
        Alpha.
    """
    safe = np.maximum(cosine, _LEAST_COSINE)
    square = safe * safe
    root = np.sqrt(1 + np.float32(roughness**2) * np.maximum(1 - square, 0) / square)
    return np.where(cosine > 0, 2 / (1 + root), 0)


def mirrored(cosine: Reals, index: float) -> Reals:
    """Return the share of unpolarised light that a smooth boundary mirrors, by Fresnel (22).

    Parameters
    ----------
    cosine : array
        Between the light and the normal, 0 to 1.
    index : float
        Refractive index of the matter, in air.
    """
    g = np.sqrt(np.float32(index**2 - 1) + cosine * cosine)
    first = ((g - cosine) / (g + cosine)) ** 2
    second = ((cosine * (g + cosine) - 1) / (cosine * (g - cosine) + 1)) ** 2
    return first * (1 + second) / 2


def share_within(corners: Sequence[tuple[Reals, Reals]]) -> Reals:
    """Return the share of the facets whose slopes lie within a polygon.

    The density of slopes s, in units of the roughness, is 1 / (pi (1 + s^2)^2): the distribution
    (33) times the fourth power of its cosine. It is the divergence of s / (2 pi (1 + s^2)), so
    what lies within is a sum over the polygon's sides, each in closed form.

    Parameters
    ----------
    corners : sequence of (x, y)
        Slopes over the roughness, arrays of one shape, in order around the polygon.
    """
    total: npt.NDArray = np.zeros(np.shape(corners[0][0]), np.float32)
    for (ax, ay), (bx, by) in zip(corners, [*corners[1:], corners[0]], strict=True):
        dx, dy = bx - ax, by - ay
        crossed = ax * by - ay * bx
        side = dx * dx + dy * dy
        root = np.sqrt(side + crossed * crossed + _TINY)
        angle = np.arctan2(side * root, root * root + (ax * dx + ay * dy) * (bx * dx + by * dy))
        total += crossed * angle / root
    return np.abs(total) / np.float32(2 * np.pi)
