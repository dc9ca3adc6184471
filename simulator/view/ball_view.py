"""The view of a ball: a droplet or a bead with the light's reflection in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...ground.types import Floats
from ..scene.scene import Lighting
from ..scene.texture.palette import Colour
from .camera import Camera, Window
from .coverage import edge_coverage
from .shading import light_direction
from .view import ONE_SAMPLE, Sampling, View

#: Cosine between the normal and the reflection's middle at which the reflection ends: about
#: 11 degrees, a soft box of 22 degrees seen in the surface. [assumption]
_EDGE = np.cos(np.deg2rad(11.0))
#: Share of the way to the middle over which it grows to its full radiance.
_FADE = 0.25
#: A ball is seen with at least this many samples per radius, but no more than so many a pixel.
_SAMPLES_ACROSS, _MOST_FINE = 16, 8


@dataclass(frozen=True, eq=False)
class BallPart:
    """A ball, ready to be seen.

    Parameters
    ----------
    name : str
        Surface it belongs to.
    centre_mm : array (3,)
    radius_mm : float
    colour : (red, green, blue)
    highlight : float
        Radiance of the reflection, 1 = saturation.
    clear : float
        0 opaque, 1 a clear drop.
    lighting : Lighting
    living : bool
    """

    name: str
    centre_mm: npt.NDArray[np.float64]
    radius_mm: float
    colour: Colour
    highlight: float
    clear: float
    lighting: Lighting
    living: bool = True
    region: str = "plain"
    extended: bool = False
    detail_mm: float = 0.0
    translucent: bool = False
    image: None = None

    def box_mm(self) -> npt.NDArray[np.float64]:
        """Corners of a box around it."""
        return np.array([self.centre_mm - self.radius_mm, self.centre_mm + self.radius_mm])

    def z_range_mm(self, area_mm: npt.NDArray[np.float64]) -> tuple[float, float]:
        """Return the least and greatest z of all of it."""
        z = self.box_mm()[:, 2]
        return float(z[0]), float(z[1])

    def view(
        self,
        camera: Camera,
        window: Window,
        *,
        sampling: Sampling = ONE_SAMPLE,
        bare: bool = False,
    ) -> View:
        """Return what a pinhole sees of it in a window, by the samples in focus or more."""
        depth = float(camera.project(self.centre_mm)[2])
        if depth <= self.radius_mm:
            return _nothing(window)
        radius_px = self.radius_mm * camera.focal_px / depth / window.scale
        # The reflection, a fifth as wide as the ball, is the detail that must not slip between
        # samples.
        fine = max(sampling.sharp, min(_MOST_FINE, int(np.ceil(_SAMPLES_ACROSS / radius_px))))
        pixel = window.scale / fine / camera.focal_px
        rays = spread_rays(camera, window, fine)
        colour, coverage, depth_map = self._seen(camera, *rays, pixel=pixel)
        small = min(1.0, np.pi * (radius_px * fine) ** 2)
        return View(
            window,
            pooled(colour, fine) * np.float32(small),
            pooled(coverage, fine) * np.float32(small),
            pooled(depth_map, fine),
        )

    def fills(self, camera: Camera, window: Window) -> bool:
        """Say no: it is too small to."""
        return False

    def _seen(
        self, camera: Camera, down: Floats, across: Floats, *, pixel: float
    ) -> tuple[Floats, Floats, Floats]:
        """Return radiance times coverage, coverage, and camera depth along a grid of rays.

        `pixel` is the tangent between two of them, for a ray that is alone.
        """
        # Along a ray (across, down, 1) the ball's surface is at the smaller root of a quadratic.
        cx, cy, cz = camera.rotation.T @ (self.centre_mm - camera.pupil_mm)
        square = across * across + down * down + 1
        middle = (across * cx + down * cy + cz) / square
        miss = np.sqrt(np.maximum(cx * cx + cy * cy + cz * cz - middle * middle * square, 0))
        if len(down) > 1:
            pixel = down[1, 0] - down[0, 0]
        elif across.shape[1] > 1:
            pixel = across[0, 1] - across[0, 0]
        step_mm = cz * pixel
        coverage = edge_coverage(((self.radius_mm - miss) / step_mm).astype(np.float32))
        depth = middle - np.sqrt(np.maximum((self.radius_mm**2 - miss * miss) / square, 0))
        # Rays that miss by far go on at the depth of the rim.
        depth = np.clip(depth, cz - self.radius_mm, cz)
        normal = np.stack(
            np.broadcast_arrays(across * depth - cx, down * depth - cy, depth - cz), axis=-1
        )
        # Rays that just miss take the colour of the rim.
        normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
        colour = ball_radiance(self, normal @ camera.rotation.T) * coverage[..., None]
        return colour.astype(np.float32), coverage, depth.astype(np.float32)


def spread_rays(camera: Camera, window: Window, fine: int) -> tuple[npt.NDArray, npt.NDArray]:
    """Return the tangents of ``fine`` rays per pixel side, as `Camera.ray_axes` does."""
    places = ((np.arange(fine) + 0.5) / fine - 0.5) * window.scale
    row, col = (axis.ravel() for axis in window.centres())
    return camera.rays_at(
        (row[:, None] + places).reshape(-1, 1), (col[:, None] + places).reshape(1, -1)
    )


def pooled(values: Floats, factor: int) -> Floats:
    """Return means over blocks of ``factor`` x ``factor`` samples."""
    if factor == 1:
        return values
    rows, cols = values.shape[0] // factor, values.shape[1] // factor
    blocks = values.reshape(rows, factor, cols, factor, *values.shape[2:])
    return np.ascontiguousarray(blocks.mean(axis=(1, 3)))


def _nothing(window: Window) -> View:
    """Return the view of what is behind the camera."""
    empty = np.zeros(window.shape, np.float32)
    return View(
        window, np.zeros((*window.shape, 3), np.float32), empty, np.ones((1, 1), np.float32)
    )


def ball_radiance(ball: BallPart, normal: npt.NDArray) -> npt.NDArray:
    """Return the radiance of a ball over its outward normal in object axes, (..., 3)."""
    light = light_direction(ball.lighting)
    toward = np.maximum(-normal[..., 2], 0)
    ambient = ball.lighting.ambient
    dull = ambient + (1 - ambient) * np.maximum(normal @ light, 0)
    # A clear drop gathers the light at its far side and is dark at the rim.
    gathered = 0.25 + 1.1 * np.clip(-(normal[..., :2] @ light[:2]), 0, 1) ** 1.5
    gathered = gathered * (0.35 + 0.65 * toward)
    shade = (1 - ball.clear) * dull + ball.clear * gathered
    cosine = normal @ reflection_axis(ball.lighting)
    spot = np.clip((cosine - _EDGE) / (_FADE * (1 - _EDGE)), 0, 1)
    body = np.array(ball.colour) * np.expand_dims(shade, -1)
    # A reflection outshines what is below it; a faint one, or none, takes nothing away.
    return body + np.maximum(ball.highlight - body, 0) * np.expand_dims(spot, -1)


def reflection_axis(lighting: Lighting) -> npt.NDArray[np.float64]:
    """Return the normal at which the nominal camera sees the light: half-way between the two."""
    half = light_direction(lighting) + np.array([0.0, 0.0, -1.0])
    length = float(np.linalg.norm(half))
    return half / length if length > 0 else half


def fade_angles() -> tuple[float, float]:
    """Return the angles from its middle between which a reflection fades, rad."""
    return float(np.arccos(_EDGE + _FADE * (1 - _EDGE))), float(np.arccos(_EDGE))
