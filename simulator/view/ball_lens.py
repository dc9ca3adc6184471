"""What a clear ball does to a ray: how far it turns it, what it lets through, where it images.

A ray keeps its distance from the ball's centre, the impact parameter h: refraction at both faces
turns it in the plane that it has in common with the centre, and no more. So all is told by h.
"""

from __future__ import annotations

import numpy as np

from ...ground.types import Reals

#: Impact parameters nearer to the axis than this share of the radius count as this far from it.
_NEAR_AXIS = 1e-4


def focal_length_mm(radius_mm: float, index: float) -> float:
    """Return the focal length of a ball, measured from its centre, mm.

    Parameters
    ----------
    radius_mm : float
    index : float
        Refractive index, > 1.

    Notes
    -----
    n R / (2 (n - 1)), both principal planes through the centre (Hecht, Optics, on thick lenses).
    """
    return index * radius_mm / (2 * (index - 1))


def image_mm(distance_mm: float, radius_mm: float, index: float) -> float:
    """Return where rays near the axis image a point: the thin lens, from the ball's centre, mm.

    Parameters
    ----------
    distance_mm : float
        Of the point behind the centre, > 0.
    radius_mm, index : float

    Returns
    -------
    float
        Distance before the centre, on the viewer's side; < 0 for an image behind it.
    """
    return 1 / (1 / focal_length_mm(radius_mm, index) - 1 / distance_mm)


def angles(impact: Reals, index: float) -> tuple[Reals, Reals]:
    """Return the angles of incidence and of refraction of rays, rad (Snell).

    Parameters
    ----------
    impact : array
        Impact parameter over the radius, 0 to 1.
    index : float
    """
    return np.arcsin(impact), np.arcsin(impact / np.float32(index))


def reflectance(incidence: Reals, refraction: Reals) -> Reals:
    """Return the share of unpolarised light that a face reflects (Fresnel's equations).

    Parameters
    ----------
    incidence, refraction : array
        Angles, rad; straight on they may not be 0 exactly.
    """
    less, more = refraction - incidence, refraction + incidence
    across = np.sin(less) / np.sin(more)
    along = np.tan(less) / np.tan(more)
    return (across * across + along * along) / 2


def image_curvatures(
    distance_mm: Reals, impact_mm: Reals, radius_mm: float, index: float
) -> tuple[Reals, Reals]:
    """Return one over the distances at which rays close to a given one image a point, per mm.

    Parameters
    ----------
    distance_mm : array
        Of the point along the ray that has left the ball, from the ray's foot (its point nearest
        to the centre), > 0.
    impact_mm : array
        Of the ray, below the radius.
    radius_mm, index : float

    Returns
    -------
    (array, array)
        In the plane of the ray and the centre, and across it; distances are measured along the
        ray on the viewer's side, from its foot toward the viewer.

    Notes
    -----
    In the plane, a ray that leaves the point turned by da has its impact parameter changed by
    distance * da and its turn by d(turn)/dh of that: 1/image = d(turn)/dh - 1/distance. Across
    it, all rays of one impact parameter meet on the line through the point and the centre. On the
    axis both are the thin lens of `focal_length_mm`.
    """
    impact = np.maximum(impact_mm / radius_mm, _NEAR_AXIS)
    i, r = angles(impact, index)
    steep = 2 / radius_mm * (1 / np.cos(i) - 1 / (index * np.cos(r)))
    h, turn = impact * radius_mm, np.tan(2 * (i - r))
    across = (distance_mm * turn - h) / (h * (distance_mm + h * turn))
    return steep - 1 / distance_mm, across
