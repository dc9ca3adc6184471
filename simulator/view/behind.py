"""The light that single rays meet on sheets, wherever they come from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...ground.types import Doubles, Floats
from .camera import Camera
from .coverage import outline_distance
from .sheet_view import SheetPart

#: A ray that goes away from the camera by less than this per unit of its length meets no sheet.
_LEAST_FALL = 0.02
#: Steps to where a ray meets a relief, each as far as the one before it left it off.
_STEPS = 12
#: Sizes of samples are rounded to so many an octave, for a texture is prepared for each.
_SIZES_PER_OCTAVE = 1
#: Sizes larger than so many of the smallest count as that large.
_SIZES = 1024.0


@dataclass(frozen=True, eq=False)
class Rays:
    """Rays in object space.

    Parameters
    ----------
    start_mm : array (..., 3)
    way : array (..., 3)
        Unit vectors.
    least_mm : array (...)
        Along a ray, before which it meets nothing: what is nearer counts as being there.
    """

    start_mm: Doubles
    way: Doubles
    least_mm: Doubles


def light_along(
    rays: Rays,
    sheets: tuple[SheetPart, ...],
    backdrop: tuple[float, float, float],
    *,
    spread_mm: Callable[[Doubles], Doubles],
    camera: Camera,
) -> tuple[Floats, Doubles]:
    """Return the light that rays meet, and how far away.

    Parameters
    ----------
    rays : Rays
    sheets : tuple of SheetPart
        From near to far; each is met once, and hides those after it.
    backdrop : (red, green, blue)
        Where none is met.
    spread_mm : callable
        Size of a ray's sample across itself at distances along the rays, > 0.
    camera : Camera
        The one that may carry a flash, on the host.

    Returns
    -------
    light : array (..., 3) of float32
    distance_mm : array (...)
        To the opaque sheet that is met; inf where there is none.
    """
    shape = rays.least_mm.shape
    light, left = np.zeros((*shape, 3), np.float32), np.ones((*shape, 3), np.float32)
    distance = np.full(shape, np.inf)
    for sheet in sheets:
        met = _met_mm(sheet, rays)
        going = np.isfinite(met) & (left.max(axis=-1) > 0)
        if not going.any():
            continue
        # At all rays, for a size goes with the distance.
        size = spread_mm(np.where(going, met, 1.0))[going]
        start, way, at = rays.start_mm[going], rays.way[going], met[going]
        place = start + at[:, None] * way
        u, v = sheet.own(place[:, 0].astype(np.float32), place[:, 1].astype(np.float32))
        there = _inside(sheet, u, v)
        # What is met aslant is spread over more of it.
        size = size / np.sqrt(np.maximum(way[:, 2], _LEAST_FALL))
        colour, held = _sampled(sheet, u, v, size, camera)
        share = left[going] * there[:, None]
        light[going] += share * colour
        left[going] -= share * held
        if not sheet.translucent:
            distance[going] = np.where(there, at, distance[going])
    return light + left * np.array(backdrop, np.float32), distance


def distance_along(rays: Rays, sheets: tuple[SheetPart, ...]) -> Doubles:
    """Return how far away rays meet the first opaque sheet, inf where there is none: no light."""
    distance = np.full(rays.least_mm.shape, np.inf)
    for sheet in sheets:
        going = np.isinf(distance)
        if sheet.translucent or not going.any():
            continue
        met = _met_mm(sheet, rays)
        place = rays.start_mm + np.where(np.isfinite(met), met, 0.0)[..., None] * rays.way
        u, v = sheet.own(place[..., 0].astype(np.float32), place[..., 1].astype(np.float32))
        distance = np.where(going & _inside(sheet, u, v), met, distance)
    return distance


def _met_mm(sheet: SheetPart, rays: Rays) -> Doubles:
    """Return how far along each ray the sheet's surface is, inf where it never comes to it."""
    fall = rays.way[..., 2]
    falling = fall > _LEAST_FALL
    safe = np.where(falling, fall, 1.0)
    start = rays.start_mm[..., 2]
    low, high = sheet.bounds_mm()
    met = ((low + high) / 2 - start) / safe
    if not sheet.flat:
        for _ in range(_STEPS):
            place = rays.start_mm + met[..., None] * rays.way
            z = sheet.z_mm(place[..., 0].astype(np.float32), place[..., 1].astype(np.float32))
            met = (z - start) / safe
    met = np.maximum(met, rays.least_mm)
    # What lies wholly before the rays' start is not behind it.
    return np.where(falling & (start <= high), met, np.inf)


def _inside(sheet: SheetPart, u: Floats, v: Floats) -> npt.NDArray[np.bool_]:
    if sheet.spec.outline.kind == "everywhere":
        return np.ones(u.shape, bool)
    return outline_distance(sheet.spec.outline, u, v, 1.0) > 0


def _sampled(
    sheet: SheetPart, u: Floats, v: Floats, size_mm: Doubles, camera: Camera
) -> tuple[Floats, Floats]:
    """Return the radiance of points, each seen by a sample of its own size, and what they hide."""
    octave = np.log2(np.minimum(size_mm, float(size_mm.min()) * _SIZES))
    level = np.rint(octave * _SIZES_PER_OCTAVE).astype(int)
    colour = np.empty((u.size, 3), np.float32)
    held = np.ones((u.size, 3), np.float32)
    for one in np.unique(level):
        here = np.flatnonzero(level == one)
        size = float(2.0 ** (one / _SIZES_PER_OCTAVE))
        light = sheet.light_at(u[here], v[here], size / 2, camera)
        colour[here] = sheet.painted(u[here], v[here], size) * light[:, None]
        if sheet.translucent:
            held[here] = 1 - sheet.transmitted(u[here], v[here], size)
    return colour, held
