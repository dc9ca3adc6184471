"""The view of a sheet: rays meet a plane or a relief, and take its colour and edge with them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulator import reliefs, textures
from simulator.camera import Camera, Window
from simulator.outlines import blade_distance, spiral_distance
from simulator.scene import Lighting, Outline, Sheet
from simulator.view import View, edge_coverage

Floats = npt.NDArray[np.float32]

#: Rays are first met with a relief on every n-th pixel, then each pixel takes one step more.
_COARSE = 4
_MOST_STEPS = 24
_RANGE_SAMPLES = 64


@dataclass(frozen=True, eq=False)
class SheetPart:
    """A sheet of a scene, ready to be seen.

    Parameters
    ----------
    spec : Sheet
    lighting : Lighting
    seed : int
        Of its texture and relief.
    """

    spec: Sheet
    lighting: Lighting
    seed: int
    region: str = "plain"

    @property
    def name(self) -> str:
        """Name of the surface."""
        return self.spec.name

    @property
    def living(self) -> bool:
        """Whether it moves with the subject."""
        return self.spec.living

    @property
    def flat(self) -> bool:
        """Whether its height is the same all over."""
        low, high = reliefs.bounds_mm(self.spec.relief)
        return low == high

    @property
    def extended(self) -> bool:
        """A relief's blur varies over it."""
        return not self.flat

    @property
    def detail_mm(self) -> float:
        """Its outline's smaller side, mm."""
        return float(2 * _half_size(self.spec.outline, 0.0).min())

    def box_mm(self) -> npt.NDArray[np.float64]:
        """Corners of a box around it."""
        low, high = reliefs.bounds_mm(self.spec.relief)
        centre = np.array(self.spec.centre_mm)
        half = _half_size(self.spec.outline, self.spec.rotate_deg)
        z = (self.spec.centre_mm[2] - high, self.spec.centre_mm[2] - low)
        return np.array([[*(centre[:2] - half), z[0]], [*(centre[:2] + half), z[1]]])

    def z_range_mm(self, area_mm: npt.NDArray[np.float64]) -> tuple[float, float]:
        """Return the least and greatest z over an area, from samples of the relief."""
        if self.flat:
            box = self.box_mm()
            return float(box[0, 2]), float(box[1, 2])
        x = np.linspace(area_mm[0, 0], area_mm[1, 0], _RANGE_SAMPLES, dtype=np.float32)[None, :]
        y = np.linspace(area_mm[0, 1], area_mm[1, 1], _RANGE_SAMPLES, dtype=np.float32)[:, None]
        z = self.z_mm(x, y)
        low, high = float(z.min()), float(z.max())
        spare = 0.05 * (high - low)
        box = self.box_mm()
        return max(low - spare, float(box[0, 2])), min(high + spare, float(box[1, 2]))

    def z_mm(self, x_mm: npt.NDArray, y_mm: npt.NDArray) -> Floats:
        """Return z of the surface over object x and y."""
        return np.float32(self.spec.centre_mm[2]) - self.height_mm(*self.own(x_mm, y_mm))

    def height_mm(self, u_mm: npt.NDArray, v_mm: npt.NDArray) -> Floats:
        """Return the height over the sheet's own x and y."""
        return reliefs.height_mm(self.spec.relief, u_mm, v_mm, seed=self.seed)

    def own(self, x_mm: npt.NDArray, y_mm: npt.NDArray) -> tuple[Floats, Floats]:
        """Return the sheet's own coordinates of object x and y."""
        cx, cy, _ = self.spec.centre_mm
        x, y = x_mm - np.float32(cx), y_mm - np.float32(cy)
        if self.spec.rotate_deg == 0:
            return np.broadcast_arrays(x, y)  # type: ignore[return-value]
        angle = np.deg2rad(self.spec.rotate_deg)
        cos, sin = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return cos * x + sin * y, cos * y - sin * x

    def view(self, camera: Camera, window: Window) -> View:
        """Return what a pinhole sees of it in a window."""
        depth = self._meet(camera, window)
        dx, dy, _ = camera.directions(window)
        px, py, _ = camera.pupil_mm.astype(np.float32)
        u, v = self.own(px + dx * depth, py + dy * depth)
        footprint = window.scale * float(np.mean(depth)) / camera.focal_px
        colour = textures.sample(self.spec.texture, u, v, footprint_mm=footprint, seed=self.seed)
        if self.spec.lit and not self.flat:
            z = camera.pupil_mm[2] + depth * camera.directions(window)[2]
            colour = colour * self.shade(z.astype(np.float32), footprint)[..., None]
        coverage = self._coverage(u, v, footprint)
        if coverage is not None:
            colour = colour * coverage[..., None]
        return View(window, np.ascontiguousarray(colour, np.float32), coverage, depth)

    def shade(self, z_mm: Floats, spacing_mm: float) -> Floats:
        """Return the light on a grid of z values, 1 for a surface that faces the camera."""
        light = np.array(self.lighting.toward)
        light = (light / np.linalg.norm(light)).astype(np.float32)
        gy, gx = np.gradient(z_mm, np.float32(spacing_mm))
        # The normal that looks toward the camera is (dz/dx, dz/dy, -1) over its length.
        facing = (gx * light[0] + gy * light[1] - light[2]) / np.sqrt(1 + gx * gx + gy * gy)
        ambient = np.float32(self.lighting.ambient)
        return ambient + (1 - ambient) * np.maximum(facing, 0) / max(-light[2], np.float32(0.2))

    def _meet(self, camera: Camera, window: Window) -> Floats:
        """Camera depth at which each ray of a window meets the surface."""
        dz = camera.directions(window)[2]
        base = np.float32(self.spec.centre_mm[2] - camera.pupil_mm[2])
        if self.flat:
            low, _ = reliefs.bounds_mm(self.spec.relief)
            return (base - np.float32(low)) / dz
        coarse = Window(window.row0, window.row1, window.col0, window.col1, window.scale * _COARSE)
        coarse = Window(
            coarse.row0,
            coarse.row0 + (-(-(window.row1 - window.row0) // coarse.scale) + 1) * coarse.scale,
            coarse.col0,
            coarse.col0 + (-(-(window.col1 - window.col0) // coarse.scale) + 1) * coarse.scale,
            coarse.scale,
        )
        start = self._settle(camera, coarse)
        depth = _refined_grid(start, _COARSE, window.shape)
        return self._step(camera, window, depth)

    def _settle(self, camera: Camera, window: Window) -> Floats:
        low, high = reliefs.bounds_mm(self.spec.relief)
        middle = self.spec.centre_mm[2] - (low + high) / 2 - camera.pupil_mm[2]
        depth = np.full(window.shape, middle, np.float32) / camera.directions(window)[2]
        close = 0.02 * window.scale / _COARSE * middle / camera.focal_px
        for _ in range(_MOST_STEPS):
            new = self._step(camera, window, depth)
            moved = np.abs(new - depth).max()
            depth = new
            if moved < close:
                break
        return depth

    def _step(self, camera: Camera, window: Window, depth: Floats) -> Floats:
        """Move along each ray to the height of the surface where the ray is now."""
        dx, dy, dz = camera.directions(window)
        px, py, pz = camera.pupil_mm.astype(np.float32)
        return (self.z_mm(px + dx * depth, py + dy * depth) - pz) / dz

    def _coverage(self, u: Floats, v: Floats, footprint_mm: float) -> Floats | None:
        outline = self.spec.outline
        if outline.kind == "everywhere":
            return None
        per_mm = np.float32(1.0 / footprint_mm)
        angle = np.deg2rad(self.spec.rotate_deg)
        coverage = outline_coverage(outline, u * per_mm, v * per_mm, 1.0 / footprint_mm, angle)
        return None if coverage.min() >= 1.0 else coverage


def outline_coverage(outline: Outline, u: Floats, v: Floats, per_mm: float, angle: float) -> Floats:
    """Share of each pixel inside an outline; u and v in pixels, ``angle`` that of u to a row."""
    slope = (float(np.cos(angle)), float(np.sin(angle)))
    if outline.kind == "rectangle":
        assert outline.size_mm is not None
        half_u, half_v = (np.float32(size * per_mm / 2) for size in outline.size_mm)
        across = edge_coverage(half_u + u, slope) + edge_coverage(half_u - u, slope) - 1
        down = edge_coverage(half_v + v, slope) + edge_coverage(half_v - v, slope) - 1
        return across * down
    if outline.kind == "ellipse":
        assert outline.size_mm is not None
        half_u, half_v = (np.float32(size * per_mm / 2) for size in outline.size_mm)
        # First-order distance to the ellipse: its implicit function over the gradient's length.
        a, b = u / half_u, v / half_v
        value = a * a + b * b
        steep = 2 * np.sqrt((a / half_u) ** 2 + (b / half_v) ** 2)
        return np.clip((1 - value) / np.maximum(steep, 1e-6) + np.float32(0.5), 0, 1)
    if outline.kind == "blade":
        assert outline.size_mm is not None
        half_u, half_v = (size * per_mm / 2 for size in outline.size_mm)
        return np.clip(blade_distance(u, v, half_u, half_v) + np.float32(0.5), 0, 1)
    if outline.kind == "spiral":
        assert outline.radius_mm is not None
        distance = spiral_distance(u, v, outline.radius_mm * per_mm, outline.growth)
        return np.clip(distance + np.float32(0.5), 0, 1)
    points = np.array(outline.points_mm) * per_mm
    return np.clip(_polygon_distance(points, u, v) + np.float32(0.5), 0, 1)


def _polygon_distance(points: npt.NDArray, u: Floats, v: Floats) -> Floats:
    """Signed distance to a polygon, > 0 inside (even-odd rule)."""
    nearest = np.full(u.shape, np.inf, np.float32)
    inside = np.zeros(u.shape, bool)
    for (x0, y0), (x1, y1) in zip(points, np.roll(points, -1, axis=0), strict=True):
        ex, ey = np.float32(x1 - x0), np.float32(y1 - y0)
        along = ((u - x0) * ex + (v - y0) * ey) / max(ex * ex + ey * ey, 1e-12)
        along = np.clip(along, 0, 1).astype(np.float32)
        np.minimum(nearest, np.hypot(u - x0 - along * ex, v - y0 - along * ey), out=nearest)
        if y0 != y1:
            crosses = ((y0 > v) != (y1 > v)) & (u < (x1 - x0) * (v - y0) / (y1 - y0) + x0)
            inside ^= crosses
    return np.where(inside, nearest, -nearest)


def _half_size(outline: Outline, rotate_deg: float) -> npt.NDArray[np.float64]:
    if outline.kind == "everywhere":
        return np.array([np.inf, np.inf])
    if outline.kind == "polygon":
        radius = np.hypot(*np.array(outline.points_mm).T).max()
        return np.array([radius, radius])
    if outline.kind == "spiral":
        assert outline.radius_mm is not None
        radius = outline.radius_mm * np.sqrt(outline.growth)
        return np.array([radius, radius])
    assert outline.size_mm is not None
    half = np.array(outline.size_mm) / 2
    cos, sin = abs(np.cos(np.deg2rad(rotate_deg))), abs(np.sin(np.deg2rad(rotate_deg)))
    return np.array([cos * half[0] + sin * half[1], sin * half[0] + cos * half[1]])


def _refined_grid(coarse: Floats, factor: int, shape: tuple[int, int]) -> Floats:
    """Bilinear values between samples ``factor`` merged pixels apart, block centres aligned."""
    return _refined_axis(_refined_axis(coarse, factor, shape[0], 0), factor, shape[1], 1)


def _refined_axis(values: Floats, factor: int, length: int, axis: int) -> Floats:
    at = (np.arange(length, dtype=np.float32) + 0.5) / factor - 0.5
    low = np.clip(np.floor(at).astype(int), 0, values.shape[axis] - 2)
    share = (at - low).astype(np.float32)
    share = share[:, None] if axis == 0 else share[None, :]
    return np.take(values, low, axis) * (1 - share) + np.take(values, low + 1, axis) * share
