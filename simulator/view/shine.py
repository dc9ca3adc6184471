"""What a pinhole sees of the flash mirrored in a surface, and how deep that image lies.

From another place in the pupil the mirrored light is seen elsewhere on the surface. To first order
it shifts as a whole, as a thing would that lies at another depth: the virtual image of the flash.
So mirrored light is a view of its own, with the depth of that image. On a ball of radius R lit from
a distance s the image is 1 / (2 / R + 1 / s) beneath the surface, as the mirror formula says; it
comes out of the shift, for surfaces of any shape.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache, singledispatch
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from ...ground.types import Floats
from ..scene.gloss import Gloss
from ..scene.scene import Lighting
from . import lobe
from .ball_view import BallPart
from .camera import Camera, Window
from .camera_flash import Triple, diffuser
from .clear_ball_view import ClearBall
from .sheet_view import SheetPart
from .view import Part, View

#: The place in the pupil moves by this share of the distance to see how the image shifts.
_STEP_SHARE = 1e-2
#: An image lies no farther than this many times the surface's distance, and no nearer than its
#: inverse; what is farther is as blurred as anything.
_FARTHEST, _NEAREST = 4.0, 0.25
#: A shift is not looked for where the mirror direction turns by less than this per pixel.
_LEAST_TURN = 1e-12
#: How a sheet bends is taken as a mean over about this.
_CALM_MM = 0.01
#: Bumps are looked for in so many patches a side, over this share of a sheet, up to this far out,
#: each so many steps to either side; an image is taken to be no deeper than this.
_PATCHES, _PATCHED, _MOST_PATCHED_MM, _PATCH_STEPS, _DEEP_MM = 5, 0.6, 3.0, 4, 2.0
#: Less light than this is none, 1 = saturation, if all light that meets the skin were mirrored.
_NOTHING = 5e-3
#: A rougher skin than this tells no finer corners of the flash than every other one.
_WIDE = 0.08
#: A surface over which the image's depth varies by more than this, mm, counts as bumpy.
BUMPY_MM = 0.1
#: Over bumps it is taken as a mean over about this, at least so many pixels.
_BUMPS_MM, _BUMPS_PX = 0.08, 8.0


@singledispatch
def gloss_of(part: Part) -> Gloss | None:
    """Return the gloss of a part; None is a dull one."""
    return None


@gloss_of.register
def _(part: SheetPart) -> Gloss | None:
    return part.spec.gloss


@gloss_of.register
def _(part: ClearBall) -> Gloss | None:
    return part.ball.gloss


@gloss_of.register
def _(part: BallPart) -> Gloss | None:
    return part.gloss


@lru_cache(maxsize=64)
def unsteady_mm(part: SheetPart, pixel_mm: float) -> float:
    """Return how much the depth of an image varies over the bumps of a glossy sheet, mm.

    Where it does, mirrored light does not shift as a whole: each bump has an image of its own, and
    the pupil has to be cut into cells that see them one by one. Taken over patches across the
    whole sheet, so that it is the same in any picture; 0 of a smooth sheet.
    """
    if part.flat:
        return 0.0
    box = part.box_mm()[:, :2]
    half = np.minimum((box[1] - box[0]) / 2, _MOST_PATCHED_MM) * _PATCHED
    step = max(pixel_mm, _CALM_MM)
    places = np.linspace(-1, 1, _PATCHES)
    reach = np.arange(-_PATCH_STEPS, _PATCH_STEPS + 1) * step
    found = []
    for y, x in product(places * half[1], places * half[0]):
        u, v = np.broadcast_arrays((x + reach)[None, :], (y + reach)[:, None])
        height = part.height_mm(u.astype(np.float32), v.astype(np.float32)).astype(np.float64)
        bent = -(np.diff(height, 2, axis=0)[:, 1:-1] + np.diff(height, 2, axis=1)[1:-1]) / step**2
        # Twice the mean curvature, and the mirror formula for a light far away.
        deep = np.clip(1 / np.where(np.abs(bent) < 1e-6, 1e-6, bent), -_DEEP_MM, _DEEP_MM)
        found.append(np.abs(deep - np.median(deep)).mean())
    return float(np.median(found))


@singledispatch
def shine_view(part: Part, camera: Camera, window: Window, *, bumpy: bool = False) -> View:
    """Return the mirrored light of a glossy part in a window of picture pixels.

    Its colour is radiance times coverage, its depth that of the flash's image in the surface, and
    it covers nothing. In a ``bumpy`` one the depth is that of the surface without its bumps.
    """
    raise TypeError(f"not a part with gloss: {part!r}")


@shine_view.register
def _(part: SheetPart, camera: Camera, window: Window, *, bumpy: bool = False) -> View:
    assert part.spec.gloss is not None
    seen = part.skin(camera, window)
    shine = Shine(part.spec.gloss, part.lighting, camera)
    light = np.stack([shine.radiance(*one, seen.coverage) for one in seen.samples]).mean(axis=0)
    if seen.coverage is not None:
        light = light * seen.coverage
    calm = max(1.0, _CALM_MM / seen.pixel_mm)
    if bumpy:
        calm = max(_BUMPS_PX, _BUMPS_MM / seen.pixel_mm)
    depth = shine.image_depth_mm(*seen.middle, window.scale, calm_px=calm)
    return View(window, _coloured(light, part.spec.gloss), None, depth)


@shine_view.register
def _(part: BallPart, camera: Camera, window: Window, *, bumpy: bool = False) -> View:
    assert part.gloss is not None
    skin = part.skin(camera, window)
    if skin is None:
        dark = np.zeros((*window.shape, 3), np.float32)
        return View(window, dark, None, np.ones((1, 1), np.float32))
    shine = Shine(part.gloss, part.lighting, camera)
    light = shine.radiance(skin.points, skin.normals, skin.coverage) * skin.coverage
    depth = shine.image_depth_mm(skin.points, skin.normals, window.scale / skin.fine, calm_px=0.0)
    return View(window, _coloured(skin.pooled(light), part.gloss), None, skin.pooled(depth))


@shine_view.register
def _(part: ClearBall, camera: Camera, window: Window, *, bumpy: bool = False) -> View:
    return shine_view(part.ball, camera, window, bumpy=bumpy)


def _coloured(light: npt.NDArray, gloss: Gloss) -> Floats:
    # Channel by channel in memory, as views are.
    channels = [light * np.float32(tint) for tint in gloss.tint]
    return np.moveaxis(np.stack(channels).astype(np.float32), 0, -1)


@dataclass(frozen=True, eq=False)
class Shine:
    """A flash mirrored by a glossy skin, for one eye.

    Parameters
    ----------
    gloss : Gloss
    lighting : Lighting
        With a flash.
    camera : Camera
    """

    gloss: Gloss
    lighting: Lighting
    camera: Camera

    def radiance(self, points: Triple, normals: Triple, coverage: Floats | None = None) -> Floats:
        """Return the light mirrored to the eye, before its tint; next to none is none.

        Parameters
        ----------
        points, normals : (x, y, z)
            Of the skin, mm and unit vectors, in the camera's own axes.
        coverage : array or None
            Where it is 0 nothing is mirrored.
        """
        shape = np.broadcast_shapes(*(one.shape for one in (*points, *normals)))
        light = np.zeros(shape, np.float32)
        may = np.broadcast_to(self._may_shine(points, normals), shape)
        there = np.nonzero(may if coverage is None else may & (coverage > 0))
        if len(there[0]) > 0:
            x, y, z, *out = (np.broadcast_to(one, shape)[there] for one in (*points, *normals))
            light[there] = self._mirrored((x, y, z), (out[0], out[1], out[2]))
        return light

    def _may_shine(self, points: Triple, normals: Triple) -> npt.NDArray[np.bool_]:
        """Say where more than next to nothing can be mirrored, as if the flash were a wider lobe.

        Beyond it the distribution falls as the fourth power of the angle.
        """
        assert self.lighting.flash is not None
        front = diffuser(self.lighting.flash, self.camera.rig)
        middle = np.array(self.lighting.flash.at_mm) - np.array([*self.camera.place_mm, 0.0])
        eye = _unit((-points[0], -points[1], -points[2]))
        way = _from(points, middle.astype(np.float32))
        half = _unit(_half(eye, points, middle.astype(np.float32)))
        nearest = np.sqrt(_dot(way, way).min())
        wide = float(np.hypot(self.gloss.roughness, self.lighting.flash.size_mm / nearest / 2))
        cosine = np.maximum(_dot(half, normals), np.float32(1e-3))
        # D L dA / 4 d^2 over the cosine of the view, with all light mirrored.
        most = front.radiance * front.area_mm2 / (4 * nearest**2)
        seen = np.maximum(_dot(eye, normals), np.float32(0.1))
        return lobe.facets(cosine, wide) * np.float32(most) > np.float32(_NOTHING) * seen

    def _mirrored(self, points: Triple, normals: Triple) -> npt.NDArray:
        """Return the light mirrored to the eye at points that it may come from.

        The facets that mirror the flash are counted exactly; what else varies over the flash is
        taken as a mean over some of its points, in proportion to the facets that mirror them.

        Parameters
        ----------
        points, normals : (x, y, z)
            Of the skin, mm and unit vectors, in the camera's own axes.
        """
        assert self.lighting.flash is not None
        front = diffuser(self.lighting.flash, self.camera.rig)
        places, corners = front.seen_from(self.camera.place_mm)
        eye = _unit((-points[0], -points[1], -points[2]))
        frame = _frame(normals)
        upright = np.maximum(_dot(eye, normals), np.float32(1e-3))
        width = np.float32(1 / self.gloss.roughness)
        if self.gloss.roughness >= _WIDE:
            corners = corners[::2]
        slopes = []
        for corner in corners.astype(np.float32):
            half = _half(eye, points, corner)
            rise = np.maximum(_dot(half, normals), np.float32(1e-3)) / width
            slopes.append((_dot(half, frame[0]) / rise, _dot(half, frame[1]) / rise))
        share = lobe.share_within(slopes)
        out = front.facing.astype(np.float32)
        weight: npt.NDArray = np.zeros((), np.float32)
        value: npt.NDArray = np.zeros((), np.float32)
        for place, part in zip(places.astype(np.float32), front.shares, strict=True):
            way = _unit(_from(points, place))
            half = _unit((eye[0] + way[0], eye[1] + way[1], eye[2] + way[2]))
            cosine = np.maximum(_dot(half, normals), np.float32(1e-3))
            there = np.float32(part) * lobe.facets(cosine, self.gloss.roughness)
            facing = _dot(eye, half)
            met = lobe.mirrored(facing, self.gloss.index) * facing / (upright * cosine)
            met = met * lobe.unmasked(_dot(way, normals), self.gloss.roughness)
            sent = _dot(way, (out[0], out[1], out[2])) < 0
            weight = weight + there
            value = value + there * met * sent
        level = np.float32((1 - self.lighting.ambient) * front.radiance)
        if self.gloss.roughness >= _WIDE and self.lighting.flash.shape == "disc":
            # Every other corner of the polygon spans so much less.
            level /= np.float32(np.cos(np.pi / len(corners)))
        seen = lobe.unmasked(_dot(eye, normals), self.gloss.roughness)
        return level * seen * share * value / weight

    def image_depth_mm(
        self, points: Triple, normals: Triple, step_px: float, *, calm_px: float
    ) -> Floats:
        """Return the camera depth of the flash's image in the skin.

        Where the eye moves in the pupil by p, facets of a slope are seen mirroring at places that
        lie c p farther on, in pixels; a thing at a depth Z shifts by -focal / Z. So does the skin
        under it, and what counts is both together.

        Parameters
        ----------
        points, normals : (x, y, z)
            At the samples of a window, (rows, cols).
        step_px : float
            Between samples.
        calm_px : float
            How a surface bends is taken as a mean about each sample, with this standard
            deviation: heights in single precision are too rough for less.
        """
        assert self.lighting.flash is not None
        rim = np.array(self.lighting.flash.at_mm, np.float32)
        flash = rim - np.array([*self.camera.place_mm, 0.0], np.float32)
        depth = points[2]

        def aside(x: float, y: float) -> tuple[npt.NDArray, npt.NDArray]:
            eye = _unit((x - points[0], y - points[1], -points[2]))
            half = _unit(_half(eye, points, flash))
            return half[0] - normals[0], half[1] - normals[1]

        start = here = aside(0.0, 0.0)
        if calm_px > 0:
            here = tuple(gaussian_filter(one, calm_px, mode="nearest") for one in here)
        moved = np.float32(_STEP_SHARE * self.camera.distance_mm)
        (xx, yx), (xy, yy) = (
            tuple((there - one) / moved for there, one in zip(aside(*to), start, strict=True))
            for to in ((moved, 0.0), (0.0, moved))
        )
        (x_col, x_row), (y_col, y_row) = (
            (_gradient(one, 1) / np.float32(step_px), _gradient(one, 0) / np.float32(step_px))
            for one in here
        )
        turn = x_col * y_row - x_row * y_col
        safe = np.where(np.abs(turn) < _LEAST_TURN, np.float32(_LEAST_TURN), turn)
        # Half the trace of -(change over the picture)^-1 (change over the pupil).
        shift = -((y_row * xx - x_row * yx) + (x_col * yy - y_col * xy)) / (2 * safe)
        nearness = depth * (1 / depth - shift / np.float32(self.camera.focal_px))
        nearness = np.clip(nearness, 1 / _FARTHEST, 1 / _NEAREST)
        return (depth / nearness).astype(np.float32)


def _gradient(values: npt.NDArray, axis: int) -> npt.NDArray:
    """Return the change per sample; none along a side of one sample."""
    if values.shape[axis] < 2:
        return np.zeros_like(values)
    return np.asarray(np.gradient(values, axis=axis))


def _dot(one: Triple, other: Triple) -> npt.NDArray:
    return one[0] * other[0] + one[1] * other[1] + one[2] * other[2]


def _unit(vector: Triple) -> Triple:
    length = np.sqrt(_dot(vector, vector))
    return vector[0] / length, vector[1] / length, vector[2] / length


def _from(points: Triple, place: npt.NDArray) -> Triple:
    return place[0] - points[0], place[1] - points[1], place[2] - points[2]


def _half(eye: Triple, points: Triple, place: npt.NDArray) -> Triple:
    """Return the direction half-way between the eye and a place, of any length."""
    way = _unit(_from(points, place))
    return eye[0] + way[0], eye[1] + way[1], eye[2] + way[2]


def _frame(normal: Triple) -> tuple[Triple, Triple]:
    """Return two unit vectors square to unit normals that point to the camera, and each other.

    Frisvad 2012, Building an orthonormal basis from a 3D unit vector without normalization.
    """
    x, y, z = normal
    # They point against z, so this is nowhere near 0.
    a = 1 / (1 - np.minimum(z, np.float32(0.9)))
    b = -x * y * a
    return (1 - x * x * a, b, x), (b, 1 - y * y * a, y)
