"""Where rays first meet a relief."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from ...ground.arrays import image_filter, namespace, sent, single, write_at
from ...ground.types import Floats
from .camera import Camera, Window

#: Rays are first met with a relief on every n-th pixel, then each pixel takes one step more.
_COARSE = 4
_MOST_STEPS = 24
#: Rays are where they should be when none can be farther off along itself, in pixels, than this.
_OFF_PX = 0.005
#: Where the surface climbs along a ray by less than this per unit of the ray's own fall, each
#: ray meets it once, and going to the height of the surface where the ray is now gets there.
_GENTLE = 0.7
_MOST_MARCHES = 400
#: A ray has met the surface when it is within this share of a pixel above it.
_TOUCH_PX = 0.01


class Surface(Protocol):
    """A height field over x and y."""

    @property
    def max_slope(self) -> float:
        """A slope that no part of it exceeds."""

    def bounds_mm(self) -> tuple[float, float]:
        """Return the least and the greatest z."""

    def z_mm(self, x_mm: npt.NDArray, y_mm: npt.NDArray) -> Floats:
        """Return z over x and y."""


def is_gentle(surface: Surface, camera: Camera, window: Window) -> bool:
    """Whether each ray of a window meets a surface once and nearly from above."""
    return _climb(surface, camera, window) < _GENTLE


def _climb(surface: Surface, camera: Camera, window: Window) -> float:
    """Return how much a surface climbs along any ray of a window, per unit of the ray's fall."""
    dx, dy, dz = corner_rays(camera, window)
    return float(surface.max_slope * np.max(np.hypot(dx, dy) / dz))


def corner_rays(camera: Camera, window: Window) -> tuple[Floats, Floats, Floats]:
    """Return the directions of the rays of a window's four corner pixels, (2, 2) each, of NumPy."""
    row = np.array([[window.row0 + 0.5], [window.row1 - 0.5]])
    col = np.array([[window.col0 + 0.5, window.col1 - 0.5]])
    down, across = (axis.astype(np.float32) for axis in camera.rays_at(row, col))
    return turned(camera, down, across)


def turned(camera: Camera, down: Floats, across: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the directions of rays, by their tangents, per unit of camera depth."""
    R = camera.rotation.astype(np.float32).tolist()
    return tuple(a * across + b * down + c for a, b, c in R)  # type: ignore[return-value]


def settle(surface: Surface, camera: Camera, window: Window) -> tuple[Floats, Floats]:
    """Return where each ray of a window meets a gentle surface.

    Returns
    -------
    depth : array (rows, cols)
        Camera depth.
    z : array (rows, cols)
        Object z, which has more digits than the depth.
    """
    # On multiples of its samples, so that a ray starts at the same depth in any window.
    coarse = window.grown(_COARSE * window.scale).at_scale(_COARSE * window.scale)
    low, high = surface.bounds_mm()
    middle = (low + high) / 2 - camera.pupil_mm[2]
    xp = camera.xp
    start = xp.full(coarse.shape, single(middle), dtype=xp.float32) / camera.directions(coarse)[2]
    depth, _ = _settled(surface, camera, coarse, start)
    lead = (window.row0 - coarse.row0, window.col0 - coarse.col0)
    refined = _refined_grid(depth, _COARSE, window.shape, [n // window.scale for n in lead])
    return _settled(surface, camera, window, refined)


def _settled(
    surface: Surface, camera: Camera, window: Window, depth: Floats
) -> tuple[Floats, Floats]:
    """Fall from a depth until all rays of a window are where they should be; depth and z."""
    climb = _climb(surface, camera, window)
    off_mm = _OFF_PX * window.scale * camera.distance_mm / camera.focal_px
    for _ in range(_MOST_STEPS):
        new, z = _fall(surface, camera, window, depth)
        xp = namespace(new)
        moved = float(xp.max(xp.abs(new - depth)))
        depth = new
        # Each step is at most ``climb`` times as long as the one before it.
        if moved * climb / (1 - climb) < off_mm:
            break
    return depth, z


def _fall(surface: Surface, camera: Camera, window: Window, depth: Floats) -> tuple[Floats, Floats]:
    """Move along each ray to the height of the surface where the ray is now; depth and z."""
    dx, dy, dz = camera.directions(window)
    px, py, pz = camera.pupil_mm.astype(np.float32).tolist()
    z = surface.z_mm(px + dx * depth, py + dy * depth)
    return (z - pz) / dz, z


def find(surface: Surface, camera: Camera, window: Window) -> tuple[Floats, Floats]:
    """Return where each ray of a window first meets any surface: as `settle` does."""
    coarse = window.grown(_COARSE * window.scale).at_scale(_COARSE * window.scale)
    xp = camera.xp
    rays = _flat(xp, camera.ray_axes(coarse))
    depth = xp.reshape(march(surface, camera, *rays), coarse.shape)
    # A ray starts where the nearest of its coarse neighbours met the surface.
    nearest = image_filter("minimum_filter", depth, 3)
    nearest = xp.repeat(xp.repeat(nearest, _COARSE, axis=0), _COARSE, axis=1)
    start = nearest[window.slices_in(replace(coarse, scale=window.scale))]
    rays = _flat(xp, camera.ray_axes(window))
    found = march(surface, camera, *rays, start=xp.reshape(start, (-1,)))
    return _fall(surface, camera, window, xp.reshape(found, window.shape))


def _flat(xp: Any, axes: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """Return the tangents of all rays of a grid, one after another."""
    down, across = xp.broadcast_arrays(*axes)
    return xp.reshape(down, (-1,)), xp.reshape(across, (-1,))


def march(
    surface: Surface, camera: Camera, down: Floats, across: Floats, *, start: Floats | None = None
) -> Floats:
    """Return the camera depth at which rays first meet a surface of any steepness.

    A ray never moves farther than the steepest slope lets the surface rise to meet it, so it
    cannot pass through a ridge.

    Parameters
    ----------
    surface : Surface
    camera : Camera
    down, across : array (n,)
        Tangents of the rays.
    start : array (n,) or None
        Depths to start from; rays that would start below the surface start from above it all.
    """
    xp = namespace(down)
    dx, dy, dz = turned(camera, down, across)
    px, py, pz = camera.pupil_mm.astype(np.float32).tolist()
    closing = dz + single(surface.max_slope) * xp.hypot(dx, dy)
    touch = single(_TOUCH_PX * camera.distance_mm / camera.focal_px)

    def gap(rays: npt.NDArray, at: Floats) -> Floats:
        x, y, z = px + dx[rays] * at, py + dy[rays] * at, pz + dz[rays] * at
        return surface.z_mm(x, y) - z

    going = xp.arange(down.size)
    depth = single(surface.bounds_mm()[0] - camera.pupil_mm[2]) / dz
    if start is not None:
        depth = xp.where(gap(going, start) > 0, xp.maximum(start, depth), depth)
    for _ in range(_MOST_MARCHES):
        left = gap(going, depth[going])
        write_at(depth, (going,), depth[going] + left / closing[going])
        going = going[left > touch]
        if going.size == 0:
            break
    return depth


def _refined_grid(
    coarse: Floats, factor: int, shape: tuple[int, int], lead: Sequence[int]
) -> Floats:
    """Bilinear values between samples ``factor`` merged pixels apart, ``lead`` pixels in."""
    down = _refined_axis(coarse, factor, shape[0], lead[0], 0)
    return _refined_axis(down, factor, shape[1], lead[1], 1)


def _refined_axis(values: Floats, factor: int, length: int, lead: int, axis: int) -> Floats:
    xp = namespace(values)
    at = (np.arange(lead, lead + length, dtype=np.float32) + 0.5) / factor - 0.5
    low = np.clip(np.floor(at).astype(int), 0, values.shape[axis] - 2)
    share = (at - low).astype(np.float32)
    share = sent(share[:, None] if axis == 0 else share[None, :], xp)
    first, second = (xp.take(values, sent(row, xp), axis=axis) for row in (low, low + 1))
    return first * (1 - share) + second * share  # type: ignore[no-any-return]
