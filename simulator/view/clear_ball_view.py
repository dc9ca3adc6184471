"""The view of a clear ball: its surface, and apart from it the image of what is behind.

The image hangs in space at a depth of its own, before the ball or behind it, and the ball is a
window to it. So there are two parts: the ball hides what is behind it and says how much light it
lets out at each place of its disc; `BallImage` is what is seen there, sharp at its own depth.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...ground.types import Doubles, Floats
from ..scene.texture.palette import Colour
from . import ball_lens
from .ball_view import BallPart, pooled, spread_rays
from .behind import Rays, distance_along, light_along
from .camera import Camera, Window
from .sheet_view import SheetPart
from .view import ONE_SAMPLE, Boxed, Sampling, View

#: Rays beyond the rim, and close to it, count as so far out, in radii: none is turned more.
_RIM = 0.999
#: An image farther than so many radii from the ball's centre counts as so far: it is all blur.
_FARTHEST = 20.0
#: Rays per side of a pixel through the ball, and per radius but no more than so many a pixel.
_FINE, _ACROSS, _MOST_FINE = 2, 16, 8
#: A ray beside the ball counts so much of one that meets it.
_BESIDE = np.float32(1e-4)
#: Nothing is seen larger than so many times as it would be where the ball is.
_MAGNIFIED = 16.0
#: What shows nothing is imaged as from this many radii away.
_NOWHERE = 1e4
#: Rays that are traced at once.
_AT_ONCE = 1 << 16
#: Rays per radius by which bounds of the image's depth are found, and what they may miss.
_PROBES, _SPARE = 24, 0.1


@dataclass(frozen=True, eq=False)
class ClearBall(Boxed):
    """A ball that bends light, ready to be seen.

    Parameters
    ----------
    ball : BallPart
        Its surface: black but for the light's reflection.
    index : float
        Refractive index, > 1.
    tint : (red, green, blue)
        Share of the light that is left after going straight through the middle.
    behind : tuple of SheetPart
        What may be seen in it, from near to far.
    backdrop : (red, green, blue)
        Radiance behind everything, and all round.
    """

    ball: BallPart
    index: float
    tint: Colour
    behind: tuple[SheetPart, ...]
    backdrop: tuple[float, float, float]
    region: str = "plain"
    extended: bool = False
    detail_mm: float = 0.0
    translucent: bool = False

    @property
    def name(self) -> str:
        """Name of the surface it belongs to."""
        return self.ball.name

    @property
    def living(self) -> bool:
        """Whether it moves with the subject."""
        return self.ball.living

    @property
    def image(self) -> BallImage:
        """What it shows of what is behind it."""
        return BallImage(self)

    def box_mm(self) -> Doubles:
        """Corners of a box around it."""
        return self.ball.box_mm()

    def view(
        self,
        camera: Camera,
        window: Window,
        *,
        sampling: Sampling = ONE_SAMPLE,
        bare: bool = False,
    ) -> View:
        """Return what a pinhole sees of its surface: what it reflects, and what it lets out.

        The depth of a bare view is that of the image in it, where focus has to be to see it.
        Rays are bent on the host, and what they meet is sent to the camera's device.
        """
        return self._view(camera.on_host, window, sampling, bare=bare).sent(camera.xp)

    def _view(self, camera: Camera, window: Window, sampling: Sampling, *, bare: bool) -> View:
        seen = self.ball.view(camera, window, sampling=sampling, bare=bare)
        if bare:
            image = self.image.view(camera, window, bare=True)
            return replace(seen, depth_mm=image.depth_mm, surface_mm=seen.depth_mm)
        assert seen.coverage is not None
        out = np.zeros((*window.shape, 3), np.float32)
        shine = out.copy()
        fine = self._fine(camera, window)
        for rows, strip in _strips(window, fine):
            rays = _Bent(self, camera, strip, fine)
            through, mirrored = self._shares(rays)
            # A pixel that the ball covers between its rays is as its rim is.
            inside = np.where(rays.aside <= 1, np.float32(1), _BESIDE)[..., None]
            count = pooled(inside, fine)
            out[rows] = pooled(through * inside, fine) / count
            shine[rows] = pooled(mirrored * inside, fine) / count
        coverage = seen.coverage[..., None]
        return replace(seen, colour=seen.colour + coverage * shine, let_out=coverage * out)

    def _fine(self, camera: Camera, window: Window) -> int:
        """Return how many rays per side of a pixel show it."""
        depth = float(camera.project(self.ball.centre_mm)[2])
        radius_px = self.ball.radius_mm * camera.focal_px / max(depth, 1e-6) / window.scale
        return max(_FINE, min(_MOST_FINE, int(np.ceil(_ACROSS / max(radius_px, 1e-6)))))

    def _shares(self, rays: _Bent) -> tuple[Floats, Floats]:
        """Return the share of light that comes through, and the light that its faces mirror."""
        lost = ball_lens.reflectance(rays.incidence, rays.refraction)[..., None]
        # Light goes by the chord: all of the tint is for the whole diameter.
        dimmed = np.array(self.tint) ** np.cos(rays.refraction)[..., None]
        through = (1 - lost) ** 2
        mirrored = lost * rays.mirrored()
        # What goes to and fro within comes from all round.
        mirrored = mirrored + (1 - lost - through) * np.array(self.backdrop)
        return (through * dimmed).astype(np.float32), mirrored.astype(np.float32)


@dataclass(frozen=True, eq=False)
class BallImage(Boxed):
    """What a clear ball shows of what is behind it, as a surface that goes on beyond its rim.

    Parameters
    ----------
    owner : ClearBall
    """

    owner: ClearBall
    region: str = "plain"
    extended: bool = True
    translucent: bool = False
    image: None = None

    @property
    def name(self) -> str:
        """Name of the surface it belongs to."""
        return self.owner.name

    @property
    def living(self) -> bool:
        """Whether it moves with the subject."""
        return self.owner.living

    @property
    def detail_mm(self) -> float:
        """Its ball's diameter, mm."""
        return 2 * self.owner.ball.radius_mm

    def box_mm(self) -> Doubles:
        """Corners of its ball's box."""
        return self.owner.box_mm()

    def fills(self, camera: Camera, window: Window) -> bool:
        """Say yes: it is only seen through its ball."""
        return True

    def view(
        self,
        camera: Camera,
        window: Window,
        *,
        sampling: Sampling = ONE_SAMPLE,
        bare: bool = False,
    ) -> View:
        """Return what a pinhole sees of it in a window, all of it covered."""
        return self._view(camera.on_host, window, sampling, bare=bare).sent(camera.xp)

    def _view(self, camera: Camera, window: Window, sampling: Sampling, *, bare: bool) -> View:
        fine = 1 if bare else max(_FINE, sampling.sharp)
        colour = np.empty((0, 0, 3) if bare else (*window.shape, 3), np.float32)
        depth, across = np.empty((2, *window.shape), np.float32)
        for rows, strip in _strips(window, fine):
            rays = _Bent(self.owner, camera, strip, fine)
            if bare:
                vergences = rays.vergences()
            else:
                light, *vergences = rays.seen()
                colour[rows] = pooled(light, fine)
            # Of a pixel's rays the mean vergence counts, as blur goes with it.
            depth[rows], across[rows] = (1 / pooled(one, fine) for one in vergences)
        return View(window, colour, None, depth, across_mm=across)

    def depths_mm(self, camera: Camera) -> tuple[float, float]:
        """Return bounds of its camera depth, mm."""
        centre = self.owner.ball.centre_mm
        row, col, depth = (float(axis) for axis in camera.project(centre))
        radius_px = self.owner.ball.radius_mm * camera.focal_px / depth
        place = np.linspace(-1.05, 1.05, 2 * _PROBES) * radius_px
        down, across = camera.rays_at((row + place)[:, None], (col + place)[None, :])
        depths = 1 / _Bent(self.owner, camera, (down, across), 1).vergences()[0]
        near, far = float(depths.min()), float(depths.max())
        spare = _SPARE * (far - near)
        return max(near - spare, 1e-3), far + spare


class _Bent:
    """Rays from the pupil, bent by a clear ball.

    Parameters
    ----------
    owner : ClearBall
    camera : Camera
    where : Window or (down, across)
        What they show, or their tangents.
    fine : int
        Rays per side of a sample of the window.
    """

    def __init__(
        self,
        owner: ClearBall,
        camera: Camera,
        where: Window | tuple[Doubles, Doubles],
        fine: int,
    ) -> None:
        self._owner, self._camera = owner, camera
        scale = where.scale if isinstance(where, Window) else 1
        self._step = scale / fine / camera.focal_px
        tangents = spread_rays(camera, where, fine) if isinstance(where, Window) else where
        down, across = np.broadcast_arrays(*tangents)
        way = np.stack([across, down, np.ones_like(down)], axis=-1) @ camera.rotation.T
        self._way: Doubles = way / np.linalg.norm(way, axis=-1, keepdims=True)
        radius, centre = owner.ball.radius_mm, owner.ball.centre_mm
        toward = centre - camera.pupil_mm
        #: From the pupil to the ray's foot, its point nearest to the ball's centre.
        self._foot_mm: Doubles = self._way @ toward
        out = self._foot_mm[..., None] * self._way - toward
        length = np.linalg.norm(out, axis=-1)
        self._out: Doubles = out / np.maximum(length, 1e-12)[..., None]
        #: Distance of the ray from the centre, in radii.
        self.aside: Doubles = length / radius
        impact = np.clip(self.aside, 1e-6, _RIM)
        self._impact_mm: Doubles = radius * impact
        self.incidence, self.refraction = ball_lens.angles(impact, owner.index)

    def seen(self) -> tuple[Floats, Floats, Floats]:
        """Return the light that meets each ray behind the ball, and where its image lies.

        Returns
        -------
        light : array (rows, cols, 3)
            As it is without any loss.
        vergence, across : array (rows, cols)
            One over the camera depth that it seems to come from, and by the rays across alone.
        """
        owner = self._owner
        light, distance = light_along(
            self._left(),
            owner.behind,
            owner.backdrop,
            spread_mm=self._spread_mm,
            camera=self._camera,
        )
        return light, *self._vergences(distance)

    def vergences(self) -> list[Floats]:
        """Return where the image at each ray lies, as `seen` does, without any light."""
        return list(self._vergences(distance_along(self._left(), self._owner.behind)))

    def _left(self) -> Rays:
        """Return the rays as they have left the ball, from their feet on."""
        owner, radius = self._owner, self._owner.ball.radius_mm
        turn = 2 * (self.incidence - self.refraction)
        cos, sin = np.cos(turn)[..., None], np.sin(turn)[..., None]
        way = cos * self._way - sin * self._out
        foot = owner.ball.centre_mm + self._impact_mm[..., None] * (
            cos * self._out + sin * self._way
        )
        return Rays(foot, way, least_mm=radius * np.cos(self.incidence))

    def mirrored(self) -> Floats:
        """Return the light that meets each ray after it was reflected at the near face."""
        owner, radius = self._owner, self._owner.ball.radius_mm
        deep = np.cos(self.incidence)
        normal = self._impact_mm[..., None] / radius * self._out - deep[..., None] * self._way
        way = self._way + 2 * deep[..., None] * normal
        start = owner.ball.centre_mm + radius * normal
        rays = Rays(start, way, least_mm=np.zeros(deep.shape))

        def spread(distance: Doubles) -> Doubles:
            # A convex mirror of this radius, seen aslant, spreads a pixel by its curvature.
            return self._step * self._foot_mm * (1 + 2 * distance / (radius * deep))

        return light_along(
            rays, owner.behind, owner.backdrop, spread_mm=spread, camera=self._camera
        )[0]

    def _spread_mm(self, distance: Doubles) -> Doubles:
        """Return the size of a ray's sample where it meets what is behind, across the ray."""
        own, radius = self._foot_mm, self._owner.ball.radius_mm
        curvatures = ball_lens.image_curvatures(
            distance, self._impact_mm, radius, self._owner.index
        )
        sides = [np.abs(own * curvature - 1) * distance for curvature in curvatures]
        size: Doubles = np.sqrt(sides[0] * sides[1])
        return self._step * np.maximum(size, own / _MAGNIFIED)

    def _vergences(self, distance: Doubles) -> tuple[Floats, Floats]:
        """Return one over the camera depth of the image of points so far behind the rays' feet.

        Rays close to a ray that is off the axis meet at two places, in its plane and across it:
        the image is taken to lie where the blur of both is even. The second is by those across.
        """
        own, radius = self._foot_mm, self._owner.ball.radius_mm
        distance = np.minimum(distance, _NOWHERE * radius)
        curvatures = ball_lens.image_curvatures(
            distance, self._impact_mm, radius, self._owner.index
        )
        # An image in the pupil, or beyond it, cannot be told from blur.
        least = 1 / np.minimum(_FARTHEST * radius, own / 2)
        slant = self._way @ self._camera.rotation[:, 2]
        bent = (np.where(np.abs(c) < least, np.copysign(least, c), c) for c in curvatures)
        within, across = (1 / (slant * (own - 1 / curvature)) for curvature in bent)
        return ((within + across) / 2).astype(np.float32), across.astype(np.float32)


def _strips(window: Window, fine: int) -> Iterator[tuple[slice, Window]]:
    """Cut a window into strips of rows that are small enough to trace at once."""
    count, cols = window.shape
    step = max(1, _AT_ONCE // (max(cols, 1) * fine * fine))
    for first in range(0, count, step):
        last = min(first + step, count)
        row0, row1 = (window.row0 + row * window.scale for row in (first, last))
        yield slice(first, last), replace(window, row0=row0, row1=row1)


def behind(parts: Sequence[object]) -> tuple[SheetPart, ...]:
    """Return what of some parts, from far to near, may be seen in a ball: sheets, near to far."""
    return tuple(part for part in reversed(parts) if isinstance(part, SheetPart))
