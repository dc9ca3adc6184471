"""The view of a ball: a droplet or a bead with the light's reflection in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulator.camera import Camera, Window
from simulator.scene import Colour, Lighting
from simulator.view import View

Floats = npt.NDArray[np.float32]

#: Cosine between the normal and the reflection's middle at which the reflection ends: about
#: 11 degrees, a soft box of 22 degrees seen in the surface. [assumption]
_REFLECTION_EDGE = np.cos(np.deg2rad(11.0))


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

    def box_mm(self) -> npt.NDArray[np.float64]:
        """Corners of a box around it."""
        return np.array([self.centre_mm - self.radius_mm, self.centre_mm + self.radius_mm])

    def z_range_mm(self, area_mm: npt.NDArray[np.float64]) -> tuple[float, float]:
        """Return the least and greatest z of all of it."""
        z = self.box_mm()[:, 2]
        return float(z[0]), float(z[1])

    def view(self, camera: Camera, window: Window) -> View:
        """Return what a pinhole sees of it in a window."""
        row, col, depth = (float(value) for value in camera.project(self.centre_mm))
        # The rays that touch the ball touch it a little nearer than its middle.
        apparent = self.radius_mm / np.sqrt(max(1 - (self.radius_mm / depth) ** 2, 1e-6))
        radius = camera.focal_px * apparent / depth / window.scale
        rows, cols = window.shape
        down = ((np.arange(rows) + 0.5) - (row - window.row0) / window.scale)[:, None] / radius
        across = ((np.arange(cols) + 0.5) - (col - window.col0) / window.scale)[None, :] / radius
        square = down * down + across * across
        inside = (1 - np.sqrt(square)) * radius
        # A drop smaller than a pixel covers its own area of it, not the pixel.
        coverage = np.clip(inside + 0.5, 0, 1) * min(1.0, np.pi * radius * radius)
        rise = np.sqrt(np.maximum(1 - square, 0))
        colour = self._shaded(across, down, rise) * coverage[..., None]
        depth_map = depth - self.radius_mm * rise
        return View(
            window,
            colour.astype(np.float32),
            coverage.astype(np.float32),
            depth_map.astype(np.float32),
        )

    def _shaded(self, nx: npt.NDArray, ny: npt.NDArray, rise: npt.NDArray) -> npt.NDArray:
        """Radiance over the outward normal (nx, ny, -rise)."""
        return ball_radiance(self, nx, ny, rise)


def ball_radiance(
    ball: BallPart, nx: npt.NDArray, ny: npt.NDArray, rise: npt.NDArray
) -> npt.NDArray:
    """Radiance of a ball's near side over its outward normal (nx, ny, -rise), (..., 3)."""
    light = np.array(ball.lighting.toward) / np.linalg.norm(ball.lighting.toward)
    facing = nx * light[0] + ny * light[1] - rise * light[2]
    ambient = ball.lighting.ambient
    dull = ambient + (1 - ambient) * np.maximum(facing, 0)
    # A clear drop gathers the light at its far side and is dark at the rim.
    gathered = 0.25 + 1.1 * np.clip(-(nx * light[0] + ny * light[1]), 0, 1) ** 1.5
    gathered = gathered * (0.35 + 0.65 * rise)
    shade = (1 - ball.clear) * dull + ball.clear * gathered
    # Seen from the camera the light reflects where the normal halves the angle between them.
    half = light + np.array([0.0, 0.0, -1.0])
    half /= np.linalg.norm(half)
    cosine = nx * half[0] + ny * half[1] - rise * half[2]
    spot = np.clip((cosine - _REFLECTION_EDGE) / (0.25 * (1 - _REFLECTION_EDGE)), 0, 1)
    body = np.array(ball.colour) * np.expand_dims(shade * (1 - spot), -1)
    return body + ball.highlight * np.expand_dims(spot, -1)
