"""The view of a ball: a droplet or a bead with the light's reflection in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...ground.arrays import clip, namespace, sent, single
from ...ground.types import Floats
from ..scene.gloss import Gloss
from ..scene.scene import Lighting
from ..scene.texture.palette import Colour
from . import camera_flash
from .camera import Camera, Window
from .coverage import edge_coverage
from .shading import light_direction
from .view import ONE_SAMPLE, Boxed, Sampling, View, summed

#: Cosine between the normal and the reflection's middle at which the reflection ends: about
#: 11 degrees, a soft box of 22 degrees seen in the surface. [assumption]
_EDGE = float(np.cos(np.deg2rad(11.0)))
#: Share of the way to the middle over which it grows to its full radiance.
_FADE = 0.25
#: A ball is seen with at least this many samples per radius, but no more than so many a pixel.
_SAMPLES_ACROSS, _MOST_FINE = 16, 8
#: Least samples of gloss per side of a pixel.
_GLOSS_FINE = 2


@dataclass(frozen=True, eq=False)
class BallPart(Boxed):
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
    gloss : Gloss or None
    living : bool
    """

    name: str
    centre_mm: npt.NDArray[np.float64]
    radius_mm: float
    colour: Colour
    highlight: float
    clear: float
    lighting: Lighting
    gloss: Gloss | None = None
    living: bool = True
    region: str = "plain"
    extended: bool = False
    detail_mm: float = 0.0
    translucent: bool = False
    image: None = None

    def box_mm(self) -> npt.NDArray[np.float64]:
        """Corners of a box around it."""
        return np.array([self.centre_mm - self.radius_mm, self.centre_mm + self.radius_mm])

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
            return _nothing(window, camera.xp)
        fine, small = self._samples(depth, camera, window, sampling.sharp)
        pixel = window.scale / fine / camera.focal_px
        rays = spread_rays(camera, window, fine)
        colour, coverage, depth_map = self._seen(camera, *rays, pixel=pixel)
        return View(
            window,
            pooled(colour, fine) * small,
            pooled(coverage, fine) * small,
            _pooled_depth(depth_map, fine),
        )

    def _samples(
        self, depth: float, camera: Camera, window: Window, least: int
    ) -> tuple[int, float]:
        """Return the samples per side of a pixel, and how much of one a very small ball covers."""
        radius_px = self.radius_mm * camera.focal_px / depth / window.scale
        # The reflection, a fifth as wide as the ball, is the detail that must not slip between
        # samples.
        fine = max(least, min(_MOST_FINE, int(np.ceil(_SAMPLES_ACROSS / radius_px))))
        return fine, single(min(1.0, np.pi * (radius_px * fine) ** 2))

    def skin(self, camera: Camera, window: Window) -> BallSkin | None:
        """Return its surface as a pinhole sees it in a window; None of what is behind the eye."""
        depth = float(camera.project(self.centre_mm)[2])
        if depth <= self.radius_mm:
            return None
        fine, small = self._samples(depth, camera, window, _GLOSS_FINE)
        down, across = spread_rays(camera, window, fine)
        pixel = window.scale / fine / camera.focal_px
        depths, coverage, normal = self._met(camera, down, across, pixel=pixel)
        points = (across * depths, down * depths, depths)
        normals = (normal[..., 0], normal[..., 1], normal[..., 2])
        return BallSkin(points, normals, coverage * small, fine)

    def _seen(
        self, camera: Camera, down: Floats, across: Floats, *, pixel: float
    ) -> tuple[Floats, Floats, Floats]:
        """Return radiance times coverage, coverage, and camera depth along a grid of rays.

        `pixel` is the tangent between two of them, for a ray that is alone.
        """
        depth, coverage, normal = self._met(camera, down, across, pixel=pixel)
        xp = camera.xp
        turned = normal @ sent(camera.rotation.T, xp)
        colour = ball_radiance(self, turned, camera) * coverage[..., None]
        return xp.astype(colour, xp.float32), coverage, xp.astype(depth, xp.float32)

    def _met(
        self, camera: Camera, down: Floats, across: Floats, *, pixel: float
    ) -> tuple[npt.NDArray, Floats, npt.NDArray]:
        """Return camera depth, coverage and normal, in the camera's axes, along a grid of rays."""
        # Along a ray (across, down, 1) the ball's surface is at the smaller root of a quadratic.
        xp = camera.xp
        cx, cy, cz = (camera.rotation.T @ (self.centre_mm - camera.pupil_mm)).tolist()
        if len(down) > 1:
            pixel = down[1, 0] - down[0, 0]
        elif across.shape[1] > 1:
            pixel = across[0, 1] - across[0, 0]
        step_mm = float(cz * pixel)
        down, across = sent(down, xp), sent(across, xp)
        square = across * across + down * down + 1
        middle = (across * cx + down * cy + cz) / square
        miss = xp.sqrt(xp.maximum(cx * cx + cy * cy + cz * cz - middle * middle * square, 0))
        coverage = edge_coverage(xp.astype((self.radius_mm - miss) / step_mm, xp.float32))
        depth = middle - xp.sqrt(xp.maximum((self.radius_mm**2 - miss * miss) / square, 0))
        # Rays that miss by far go on at the depth of the rim.
        depth = clip(depth, cz - self.radius_mm, cz)
        normal = xp.stack(
            xp.broadcast_arrays(across * depth - cx, down * depth - cy, depth - cz), axis=-1
        )
        # Rays that just miss take the colour of the rim.
        normal /= xp.linalg.vector_norm(normal, axis=-1, keepdims=True)
        return depth, coverage, normal


@dataclass(frozen=True, eq=False)
class BallSkin:
    """A ball's surface at samples, some to each side of a pixel.

    Parameters
    ----------
    points, normals : (x, y, z)
        Of each sample, in the camera's axes, mm and unit vectors.
    coverage : array
    fine : int
        Samples to the side of a pixel.
    """

    points: camera_flash.Triple
    normals: camera_flash.Triple
    coverage: Floats
    fine: int

    def pooled(self, values: npt.NDArray) -> Floats:
        """Return the means of samples' values over the pixels."""
        return pooled(values, self.fine).astype(np.float32)


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
    xp, rows, cols = namespace(values), values.shape[0] // factor, values.shape[1] // factor
    blocks = xp.reshape(values, (rows, factor, cols, factor, *values.shape[2:]))
    return xp.mean(blocks, axis=(1, 3))  # type: ignore[no-any-return]


def _pooled_depth(values: Floats, factor: int) -> Floats:
    """Return the same of depths, to the last digit alike on every device."""
    xp, rows, cols = namespace(values), values.shape[0] // factor, values.shape[1] // factor
    if factor == 1 or 1 in (rows, cols):  # of a line of pixels NumPy has another order
        return pooled(values, factor)
    blocks = xp.reshape(values, (rows, factor, cols, factor))
    across = summed(blocks)
    total: Any = across[:, 0, :]
    for place in range(1, factor):
        total = total + across[:, place, :]
    return total / factor**2  # type: ignore[no-any-return]


def _nothing(window: Window, xp: Any) -> View:
    """Return the view of what is behind the camera."""
    colour, empty = (
        xp.zeros(shape, dtype=xp.float32) for shape in ((*window.shape, 3), window.shape)
    )
    return View(window, colour, empty, xp.ones((1, 1), dtype=xp.float32))


def ball_radiance(ball: BallPart, normal: npt.NDArray, camera: Camera) -> npt.NDArray:
    """Return the radiance of a ball over its outward normal in object axes, (..., 3).

    The camera counts where it carries a flash.
    """
    xp = namespace(normal)
    light = sent(_toward_light(ball, camera), xp)
    toward = xp.maximum(-normal[..., 2], 0)
    ambient = ball.lighting.ambient
    dull: npt.NDArray
    if ball.lighting.flash is None:
        dull = ambient + (1 - ambient) * xp.maximum(normal @ light, 0)
    else:
        at = ball.centre_mm + ball.radius_mm * normal
        dull = camera_flash.brightness_on(ball.lighting, camera, at, normal)
    # A clear drop gathers the light at its far side and is dark at the rim.
    gathered = 0.25 + 1.1 * clip(-(normal[..., :2] @ light[:2]), 0, 1) ** 1.5
    gathered = gathered * (0.35 + 0.65 * toward)
    if ball.lighting.flash is not None:
        facing = camera_flash.brightness_on(ball.lighting, camera, ball.centre_mm, light)
        gathered = gathered * float(facing)
    shade = (1 - ball.clear) * dull + ball.clear * gathered
    if ball.gloss is not None:
        return np.array(ball.colour) * np.expand_dims(shade, -1)
    cosine = normal @ sent(reflection_axis(ball, camera), xp)
    spot = clip((cosine - _EDGE) / (_FADE * (1 - _EDGE)), 0, 1)
    body = sent(np.array(ball.colour), xp) * xp.expand_dims(shade, axis=-1)
    # A reflection outshines what is below it; a faint one, or none, takes nothing away.
    shine = xp.maximum(ball.highlight - body, 0)
    return body + shine * xp.expand_dims(spot, axis=-1)  # type: ignore[no-any-return]


def reflection_axis(ball: BallPart, camera: Camera) -> npt.NDArray[np.float64]:
    """Return the normal at which a ball shows the light: half-way between light and camera.

    The camera is the nominal one for a light far away, and the one that carries a flash.
    """
    eye = np.array([0.0, 0.0, -1.0])
    if ball.lighting.flash is not None:
        eye = camera.pupil_mm - ball.centre_mm
        eye = eye / np.linalg.norm(eye)
    half = _toward_light(ball, camera) + eye
    length = float(np.linalg.norm(half))
    return half / length if length > 0 else half


def _toward_light(ball: BallPart, camera: Camera) -> npt.NDArray[np.float64]:
    """Return the unit vector from a ball to the light, object axes."""
    if ball.lighting.flash is None:
        return light_direction(ball.lighting)
    way = camera_flash.middle_mm(ball.lighting.flash, camera) - ball.centre_mm
    return way / np.linalg.norm(way)


def fade_angles() -> tuple[float, float]:
    """Return the angles from its middle between which a reflection fades, rad."""
    return float(np.arccos(_EDGE + _FADE * (1 - _EDGE))), float(np.arccos(_EDGE))
