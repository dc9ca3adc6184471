"""The view of a sheet: rays meet a plane or a relief, and take its colour and edge with them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property, partial
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt

from ...ground.arrays import clip, image_filter, namespace, sent, single, write, write_at
from ...ground.types import Bools, Floats
from ..scene.relief import reliefs
from ..scene.scene import Lighting, Outline, Sheet
from ..scene.texture import textures
from . import camera_flash, first_hit
from .camera import Camera, Window
from .camera_flash import Triple
from .coverage import is_convex, outline_coverage, outline_distance, points_around
from .shading import brightness, light_direction
from .view import NO_COLOUR, ONE_SAMPLE, Sampling, View, summed

_RANGE_SAMPLES = 64
#: Neighbouring pixels whose depths differ by more than this many pixels are on a horizon.
_JUMP = 3.0
_STENCIL = 5
#: Light on a surface that bends by more than this from pixel to pixel is on a crease.
_BEND = 0.08
#: Slopes per side of a pixel by a crease.
_SLOPES = 2
#: Slopes for gloss are taken over at least this to either side: heights have so many digits.
_LEAST_STEP_MM = 0.002
#: A pixel so far inside an outline, px, has nothing of its edge.
_SPARE_PX = 3
#: Rays per side of a pixel on a horizon.
_RAYS = 4
#: Coverages nearer to none or all are such.
_NOTHING = 1e-3


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
    image: None = None

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

    @property
    def translucent(self) -> bool:
        """Whether it lets light through."""
        return self.spec.transmittance is not None

    @property
    def max_slope(self) -> float:
        """A slope that no part of it exceeds."""
        return reliefs.max_slope(self.spec.relief)

    def bounds_mm(self) -> tuple[float, float]:
        """Return the least and the greatest z."""
        low, high = reliefs.bounds_mm(self.spec.relief)
        return self.spec.centre_mm[2] - high, self.spec.centre_mm[2] - low

    def box_mm(self) -> npt.NDArray[np.float64]:
        """Corners of a box around it."""
        z = self.bounds_mm()
        centre = np.array(self.spec.centre_mm)
        half = _half_size(self.spec.outline, self.spec.rotate_deg)
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
        return single(self.spec.centre_mm[2]) - self.height_mm(*self.own(x_mm, y_mm))

    def height_mm(self, u_mm: npt.NDArray, v_mm: npt.NDArray) -> Floats:
        """Return the height over the sheet's own x and y."""
        return reliefs.height_mm(self.spec.relief, u_mm, v_mm, seed=self.seed)

    def own(self, x_mm: npt.NDArray, y_mm: npt.NDArray) -> tuple[Floats, Floats]:
        """Return the sheet's own coordinates of object x and y."""
        cx, cy, _ = self.spec.centre_mm
        x: Any = x_mm - single(cx)
        y: Any = y_mm - single(cy)
        if self.spec.rotate_deg == 0:
            return namespace(x).broadcast_arrays(x, y)  # type: ignore[no-any-return]
        angle = np.deg2rad(self.spec.rotate_deg)
        cos, sin = single(np.cos(angle)), single(np.sin(angle))
        return cos * x + sin * y, cos * y - sin * x

    def view(
        self,
        camera: Camera,
        window: Window,
        *,
        sampling: Sampling = ONE_SAMPLE,
        bare: bool = False,
    ) -> View:
        """Return what a pinhole sees of it in a window.

        Parameters
        ----------
        camera : Camera
        window : Window
        sampling : Sampling
        bare : bool
            Leave out the colour.
        """
        seen = self._seen(camera, window, sampling, bare=bare)
        return replace(seen, held=self._held(camera, window, sampling, seen, bare=bare))

    def _held(
        self, camera: Camera, window: Window, sampling: Sampling, seen: View, *, bare: bool
    ) -> Floats | None:
        """Return what it holds back of the light from behind: coverage less what comes through."""
        if not self.translucent:
            return None
        if bare:
            dx, dy, _ = camera.directions(window)
            px, py, _ = camera.pupil_mm.astype(np.float32).tolist()
            u, v = self.own(px + dx * seen.depth_mm, py + dy * seen.depth_mm)
            held = self._holding.painted(u, v, self._footprint_mm(camera, window))
            return held if seen.coverage is None else held * seen.coverage[..., None]
        return self._holding.view(camera, window, sampling=sampling).colour

    @cached_property
    def _holding(self) -> SheetPart:
        """The same sheet, coloured by the share of light that it holds back."""
        assert self.spec.transmittance is not None
        spec = replace(self.spec, texture=self.spec.transmittance, transmittance=None, lit=False)
        return _Holding(spec, self.lighting, self.seed)

    def _seen(self, camera: Camera, window: Window, sampling: Sampling, *, bare: bool) -> View:
        """Return its view, whatever it lets through."""
        gentle = self.flat or first_hit.is_gentle(self, camera, window)
        depth, z = self._met(camera, window, gentle=gentle)
        dx, dy, _ = camera.directions(window)
        px, py, _ = camera.pupil_mm.astype(np.float32).tolist()
        u, v = self.own(px + dx * depth, py + dy * depth)
        footprint = self._footprint_mm(camera, window)
        coverage = None
        if not self.fills(camera, window):
            per_mm = single(1.0 / footprint)
            coverage = outline_coverage(self.spec.outline, u * per_mm, v * per_mm, 1.0 / footprint)
        if bare:
            depth = namespace(depth).broadcast_to(depth, window.shape)
            return View(window, NO_COLOUR, coverage, depth)
        colour = self._texture(u, v, footprint, sampling.parts(depth))
        if coverage is not None:
            self._trim(colour, u, v, coverage, footprint)
        if self._shaded:
            light = self._light(camera, window, depth, z)
            if window.scale == 1:
                self._crease(light, u, v, footprint, camera)
            colour *= light[..., None]
        if coverage is not None:
            colour *= coverage[..., None]
        if not gentle:
            coverage = self._mend(camera, window, colour, coverage, depth)
        if coverage is not None and namespace(coverage).min(coverage) >= 1.0:
            coverage = None
        return View(window, colour, coverage, depth)

    def skin(self, camera: Camera, window: Window) -> SheetSkin:
        """Return the surface as a pinhole sees it in a window."""
        gentle = self.flat or first_hit.is_gentle(self, camera, window)
        depth, _ = self._met(camera, window, gentle=gentle)
        depth = np.broadcast_to(depth, window.shape)
        dx, dy, _ = camera.directions(window)
        px, py, _ = camera.pupil_mm.astype(np.float32)
        u, v = self.own(px + dx * depth, py + dy * depth)
        footprint = self._footprint_mm(camera, window)
        coverage = None
        if not self.fills(camera, window):
            per_mm = np.float32(1.0 / footprint)
            coverage = outline_coverage(self.spec.outline, u * per_mm, v * per_mm, 1.0 / footprint)
        u_row, u_col, v_row, v_col = (_change(axis, way) for axis in (u, v) for way in (0, 1))
        if not gentle:
            # Across a horizon of its own there is no slope.
            ends = _jumps(depth, window.scale / camera.focal_px)
            for slope in (u_row, u_col, v_row, v_col):
                slope[ends] = 0
        places = ((np.arange(_SLOPES) + 0.5) / _SLOPES - 0.5).astype(np.float32)
        step = max(footprint / (2 * _SLOPES), _LEAST_STEP_MM)
        samples = []
        for down, across in [(np.float32(0), np.float32(0)), *product(places, repeat=2)]:
            at = (u + down * u_row + across * u_col, v + down * v_row + across * v_col)
            samples.append(self.placed(*at, self.slopes(*at, step), camera))
        return SheetSkin(samples[0], samples[1:], coverage, footprint)

    def _footprint_mm(self, camera: Camera, window: Window) -> float:
        """Return the size on it of a pixel of a window, whichever part it shows, mm."""
        return window.scale * self._distance_mm(camera) / camera.focal_px

    def _distance_mm(self, camera: Camera) -> float:
        """Return the camera depth at which a pixel's size is taken, the same for any window."""
        across = (np.mean(self.bounds_mm()) - camera.pupil_mm[2]) / camera.rotation[2, 2]
        return float(np.clip(across, camera.distance_mm / 2, 2 * camera.distance_mm))

    def fills(self, camera: Camera, window: Window) -> bool:
        """Whether its outline surely holds all that the rays of a window may meet.

        What they may meet lies in the hull of eight points: the window's corners, on the nearest
        and on the farthest plane of the surface. A convex outline that holds these holds it all.
        """
        outline = self.spec.outline
        if not is_convex(outline) or not camera.even:
            return outline.kind == "everywhere"
        spare = window.grown(_SPARE_PX * window.scale)
        dx, dy, dz = first_hit.corner_rays(camera, spare)
        px, py, pz = camera.pupil_mm
        depth = (np.array(self.bounds_mm())[:, None, None] - pz) / dz
        u, v = self.own(px + dx * depth, py + dy * depth)
        return bool(depth.min() > 0 and outline_distance(outline, u, v, 1.0).min() > 0)

    def misses(self, camera: Camera, window: Window) -> bool:
        """Say no: its outline is looked up as it is seen."""
        return False

    def _met(self, camera: Camera, window: Window, *, gentle: bool) -> tuple[Floats, Floats]:
        """Camera depth, and object z, at which each ray of a window meets the surface."""
        if self.flat:
            xp, z = camera.xp, self.bounds_mm()[0]
            depth = single(z - camera.pupil_mm[2]) / camera.directions(window)[2]
            return depth, xp.full((1, 1), z, dtype=xp.float32)
        if gentle:
            return first_hit.settle(self, camera, window)
        return first_hit.find(self, camera, window)

    def _texture(
        self,
        u: Floats,
        v: Floats,
        footprint_mm: float,
        parts: list[tuple[int, Bools | None]],
    ) -> Floats:
        """Return the mean colour of each pixel, over samples per side that differ by place."""
        xp = namespace(u)
        colour: Floats = xp.moveaxis(xp.empty((3, *u.shape), dtype=xp.float32), 0, -1)
        for count, where in parts:
            ways = (0, 1) if count > 1 else ()
            slopes = [_change(axis, way) for axis in (u, v) for way in ways]
            if where is None:
                return self._mean_colour(u, v, slopes, footprint_mm, count)
            here = xp.nonzero(xp.broadcast_to(where, u.shape))
            there = [values[here] for values in slopes]
            found = self._mean_colour(u[here], v[here], there, footprint_mm, count)
            write_at(colour, here, found)
        return colour

    def _mean_colour(
        self, u: Floats, v: Floats, slopes: list[Floats], footprint_mm: float, count: int
    ) -> Floats:
        """Return the mean over samples of some pixels, (..., 3).

        ``slopes`` are the changes per pixel of u down and across, and of v.
        """
        if count == 1:
            return self.painted(u, v, footprint_mm)
        u_row, u_col, v_row, v_col = slopes
        xp = namespace(u)
        places = ((np.arange(count) + 0.5) / count - 0.5).astype(np.float32).tolist()
        total: Floats = xp.moveaxis(xp.zeros((3, *u.shape), dtype=xp.float32), 0, -1)
        for down, across in product(places, repeat=2):
            u_there = u + down * u_row + across * u_col
            v_there = v + down * v_row + across * v_col
            total += self.painted(u_there, v_there, footprint_mm / count)
        total *= 1 / count**2
        return total

    def _trim(
        self, colour: Floats, u: Floats, v: Floats, coverage: Floats, footprint_mm: float
    ) -> None:
        """Leave in the pixels of the edge the mean colour of what is inside it, in place."""
        xp = namespace(coverage)
        row, col = xp.nonzero((coverage > _NOTHING) & (coverage < 1 - _NOTHING))
        if row.shape[0] == 0:
            return
        u_there, v_there = (points_around(a, row, col, _RAYS) for a in (u, v))
        inside = outline_distance(self.spec.outline, u_there, v_there, 1.0) > 0
        inside = xp.astype(inside, xp.float32)
        seen = self.painted(u_there, v_there, footprint_mm / _RAYS) * inside[..., None]
        count = xp.astype(xp.sum(inside, axis=1), xp.float64)
        found = count > 0
        means = xp.sum(seen, axis=1) / xp.where(found, count, 1.0)[:, None]
        shown = xp.nonzero(found)[0]
        write_at(colour, (row[shown], col[shown]), xp.take(means, shown, axis=0))

    def painted(self, u_mm: npt.NDArray, v_mm: npt.NDArray, footprint_mm: float) -> Floats:
        """Return the colour of the surface, without the light on it, (..., 3)."""
        return textures.sample(
            self.spec.texture, u_mm, v_mm, footprint_mm=footprint_mm, seed=self.seed
        )

    def tables(
        self, camera: Camera, sizes: Iterable[float]
    ) -> Iterator[tuple[float, Callable[[], object]]]:
        """Yield what makes the tables of its texture at sizes of a sample, and (0) of its relief.

        Parameters
        ----------
        camera : Camera
        sizes : iterable of float
            In pixels of the picture.
        """
        at = np.zeros(1, np.float32)
        paint = self._holding.painted if self.translucent else self.painted
        yield 0.0, partial(self.height_mm, at, at)
        for size in sizes:
            footprint = size * self._distance_mm(camera) / camera.focal_px
            yield size, partial(paint, at, at, footprint)

    def transmitted(self, u_mm: npt.NDArray, v_mm: npt.NDArray, footprint_mm: float) -> Floats:
        """Return the share of light that a translucent sheet lets through, (..., 3)."""
        return 1 - self._holding.painted(u_mm, v_mm, footprint_mm)

    @property
    def _shaded(self) -> bool:
        return self.spec.lit and (not self.flat or self.lighting.flash is not None)

    def _light(self, camera: Camera, window: Window, depth: Floats, z: Floats) -> Floats:
        """Return the light on the surface that a window shows."""
        if self.flat:
            depth, z = (np.broadcast_to(one, window.shape) for one in (depth, z))
        down, across = camera.ray_axes(window)
        xp, step = namespace(depth), single(window.scale / camera.focal_px)
        # A ray falls by dz per unit of depth, which changes evenly over rows and columns.
        dz = camera.directions(window)[2]
        dz_col, dz_row = (camera.rotation[2, :2].astype(np.float32) * np.float32(step)).tolist()
        by_row = (_change(z, 0) - depth * dz_row) / dz
        by_col = (_change(z, 1) - depth * dz_col) / dz
        # The points are depth * (across, down, 1) in the camera's axes; the cross product of
        # their changes along a column and along a row is the normal.
        facing = depth * step
        facing += across * by_col
        facing += down * by_row
        length = xp.sqrt(by_col * by_col + by_row * by_row + facing * facing)
        if self.lighting.flash is not None:
            points = (across * depth, down * depth, depth)
            normals = (by_col / length, by_row / length, -facing / length)
            return camera_flash.brightness(self.lighting, camera, points, normals)
        toward = camera.rotation.T @ light_direction(self.lighting)
        lx, ly, lz = toward.astype(np.float32).tolist()
        by_col *= lx
        by_row *= ly
        by_col += by_row
        facing *= lz
        by_col -= facing
        by_col /= length
        return brightness(self.lighting, by_col)

    def _crease(
        self, light: Floats, u: Floats, v: Floats, footprint_mm: float, camera: Camera
    ) -> None:
        """Light the pixels by a crease of the surface by its slopes within each, in place."""
        xp = namespace(light)
        row, col = xp.nonzero(_creases(light))
        if row.shape[0] > 0:
            u_there, v_there = (points_around(a, row, col, _SLOPES) for a in (u, v))
            step = footprint_mm / (2 * _SLOPES)
            write_at(
                light, (row, col), xp.mean(self.light_at(u_there, v_there, step, camera), axis=1)
            )

    def light_at(
        self, u_mm: npt.NDArray, v_mm: npt.NDArray, step_mm: float, camera: Camera
    ) -> Floats:
        """Return the light on points of the surface, its slope taken over +-``step_mm``.

        The camera counts where it carries a flash.
        """
        xp = namespace(u_mm)
        if not self._shaded:
            return xp.ones(u_mm.shape, dtype=xp.float32)  # type: ignore[no-any-return]
        up, down = self.slopes(u_mm, v_mm, step_mm)
        if self.lighting.flash is not None:
            points, normals = self.placed(u_mm, v_mm, (up, down), camera)
            return camera_flash.brightness(self.lighting, camera, points, normals)
        length = xp.sqrt(1 + up * up + down * down)
        up, down = xp.astype(up, xp.float64), xp.astype(down, xp.float64)
        lx, ly, lz = light_direction(self.lighting).tolist()
        turn = np.deg2rad(self.spec.rotate_deg)
        cos, sin = float(np.cos(turn)), float(np.sin(turn))
        # The normal toward the camera is (dz/dx, dz/dy, -1) over its length; z falls with height.
        facing = -(cos * up - sin * down) * lx - (sin * up + cos * down) * ly - lz
        facing /= length
        return brightness(self.lighting, xp.astype(facing, xp.float32))

    def slopes(
        self, u_mm: npt.NDArray, v_mm: npt.NDArray, step_mm: float
    ) -> tuple[npt.NDArray, npt.NDArray]:
        """Return how much the height changes per mm of u and of v, taken over +-``step_mm``."""
        step = single(step_mm)
        rise_u = self.height_mm(u_mm + step, v_mm) - self.height_mm(u_mm - step, v_mm)
        rise_v = self.height_mm(u_mm, v_mm + step) - self.height_mm(u_mm, v_mm - step)
        return rise_u / (2 * step), rise_v / (2 * step)

    def placed(
        self,
        u_mm: npt.NDArray,
        v_mm: npt.NDArray,
        slopes: tuple[npt.NDArray, npt.NDArray],
        camera: Camera,
    ) -> tuple[Triple, Triple]:
        """Return points of the surface and the unit normals there, x, y, z in the camera's axes."""
        turn = np.deg2rad(self.spec.rotate_deg)
        cos, sin = np.cos(turn), np.sin(turn)
        cx, cy, cz = self.spec.centre_mm
        x, y = cx + cos * u_mm - sin * v_mm, cy + sin * u_mm + cos * v_mm
        z = cz - self.height_mm(u_mm, v_mm)
        px, py, pz = camera.pupil_mm
        return (
            camera_flash.in_axes_of(camera, (x - px, y - py, z - pz)),
            camera_flash.in_axes_of(camera, self.upright(slopes)),
        )

    def upright(self, slopes: tuple[npt.NDArray, npt.NDArray]) -> Triple:
        """Return the unit normal where the height changes so much per mm of u and v, x, y, z."""
        turn = np.deg2rad(self.spec.rotate_deg)
        cos, sin = np.cos(turn), np.sin(turn)
        up, down = slopes
        length = np.sqrt(1 + up * up + down * down)
        return -(cos * up - sin * down) / length, -(sin * up + cos * down) / length, -1 / length

    def _mend(
        self,
        camera: Camera,
        window: Window,
        colour: Floats,
        coverage: Floats | None,
        depth: Floats,
    ) -> Floats | None:
        """See the pixels on the surface's own horizons again, by many rays each, in place."""
        xp = namespace(depth)
        row, col = xp.nonzero(_jumps(depth, window.scale / camera.focal_px))
        if row.shape[0] == 0:
            return coverage
        whole: Floats = xp.ones(window.shape, dtype=xp.float32) if coverage is None else coverage
        down, across = (xp.broadcast_to(axis, window.shape) for axis in camera.ray_axes(window))
        places = ((np.arange(_RAYS) + 0.5) / _RAYS - 0.5).astype(np.float32)
        places *= np.float32(window.scale / camera.focal_px)
        by_row, by_col = (sent(a, xp) for a in np.meshgrid(places, places, indexing="ij"))
        down = xp.reshape(down[row, col][:, None, None] + by_row, (-1,))
        across = xp.reshape(across[row, col][:, None, None] + by_col, (-1,))
        met = first_hit.march(self, camera, down, across)
        dx, dy, _ = first_hit.turned(camera, down, across)
        px, py, _ = camera.pupil_mm.astype(np.float32).tolist()
        u, v = self.own(px + dx * met, py + dy * met)
        footprint = self._footprint_mm(camera, window)
        seen = self.painted(u, v, footprint / _RAYS)
        seen *= self.light_at(u, v, footprint / (2 * _RAYS), camera)[:, None]
        there = xp.ones(u.shape, dtype=xp.float32)
        if coverage is not None:
            there = xp.astype(outline_distance(self.spec.outline, u, v, 1.0) > 0, xp.float32)
        by_pixel = (row.shape[0], _RAYS**2)
        light = xp.reshape(seen * there[:, None], (*by_pixel, 3))
        write_at(colour, (row, col), xp.mean(light, axis=1))
        write_at(whole, (row, col), xp.mean(xp.reshape(there, by_pixel), axis=1))
        weight = there + single(1e-6)
        depths = summed(xp.reshape(met * weight, by_pixel))
        depths /= summed(xp.reshape(weight, by_pixel))
        write_at(depth, (row, col), depths)
        return None if coverage is None else whole


class _Holding(SheetPart):
    """A sheet whose texture says what comes through, coloured by what does not."""

    def painted(self, u_mm: npt.NDArray, v_mm: npt.NDArray, footprint_mm: float) -> Floats:
        """Return the share of light that is held back, (..., 3)."""
        return 1 - clip(super().painted(u_mm, v_mm, footprint_mm), 0, 1)


@dataclass(frozen=True, eq=False)
class SheetSkin:
    """A sheet's surface at pixels.

    Parameters
    ----------
    middle : (points, normals)
        At the pixels' centres, each x, y, z in the camera's axes, mm and unit vectors.
    samples : list of (points, normals)
        The same at some places in each pixel.
    coverage : array (rows, cols) or None
    pixel_mm : float
        Size of a pixel on the surface.
    """

    middle: tuple[Triple, Triple]
    samples: list[tuple[Triple, Triple]]
    coverage: Floats | None
    pixel_mm: float


def _change(values: Floats, axis: int) -> Floats:
    """Return the mean change per pixel within each pixel, along one axis.

    Differences over two and over four pixels are joined so that the mean over the pixel's own
    width is right to third order.
    """
    xp, last = namespace(values), values.shape[axis] - 1
    v = xp.moveaxis(values, axis, 0)
    change = xp.empty_like(v)
    if last == 0:
        change[...] = 0
        return xp.moveaxis(change, 0, axis)  # type: ignore[no-any-return]
    if last > 1:
        inner = change[1:-1, ...]
        write("subtract", v[2:, ...], v[:-2, ...], out=inner)
        inner *= 0.5
    change[0, ...], change[-1, ...] = v[1, ...] - v[0, ...], v[-1, ...] - v[-2, ...]
    if last >= _STENCIL:
        inner = change[2:-2, ...]
        inner *= 1.25
        inner -= 0.0625 * (v[4:, ...] - v[:-4, ...])
    return xp.moveaxis(change, 0, axis)  # type: ignore[no-any-return]


def _jumps(depth: Floats, step: float) -> npt.NDArray[np.bool_]:
    """Mark the pixels beside which the depth jumps by more than any visible slope."""
    xp = namespace(depth)
    limit = single(_JUMP * step) * depth
    jump = xp.zeros(depth.shape, dtype=xp.bool)
    down = xp.abs(xp.diff(depth, axis=0)) > limit[1:, :]
    across = xp.abs(xp.diff(depth, axis=1)) > limit[:, 1:]
    jump[1:, :] |= down
    jump[:-1, :] |= down
    jump[:, 1:] |= across
    jump[:, :-1] |= across
    return image_filter("binary_dilation", jump)  # type: ignore[no-any-return]


def _creases(light: Floats) -> npt.NDArray[np.bool_]:
    """Mark the pixels by which the light on a surface bends so that slopes over pixels miss it."""
    xp = namespace(light)
    bent = xp.zeros(light.shape, dtype=xp.bool)
    for axis in (0, 1):
        at = xp.moveaxis(bent, axis, 0)
        at[1:-1, ...] |= xp.moveaxis(xp.abs(xp.diff(light, n=2, axis=axis)) > _BEND, axis, 0)
    return image_filter("binary_dilation", bent, iterations=2) if xp.any(bent) else bent  # type: ignore[no-any-return]


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
