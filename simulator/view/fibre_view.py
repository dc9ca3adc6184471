"""The view of one fibre: a thin tapered cylinder along a line in space."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...ground.arrays import sent
from ...ground.types import Doubles, Floats
from ..scene.scene import Lighting
from . import camera_flash
from .bundle import Bundle, unit
from .camera import Camera, Window
from .coverage import straight_edge
from .shading import brightness, light_direction
from .view import NO_COLOUR, ONE_SAMPLE, Boxed, Sampling, View

#: A bend that stays this close to a straight line, in pixels, is drawn as one.
_STRAIGHT_PX = 0.05


@dataclass(frozen=True, eq=False)
class FibrePart(Boxed):
    """A fibre, ready to be seen.

    Parameters
    ----------
    name : str
        Surface it belongs to.
    bundle : Bundle
        With the lines of others.
    number : int
        Its place among them.
    colours : array (n, 3)
        Linear-light colours along it.
    lighting : Lighting
    living : bool
    """

    name: str
    bundle: Bundle
    number: int
    colours: npt.NDArray[np.float64]
    lighting: Lighting
    living: bool = True
    region: str = "fibres"
    extended: bool = False
    detail_mm: float = 0.0
    translucent: bool = False
    image: None = None

    @property
    def points_mm(self) -> Doubles:
        """Centre line from root to tip, object space, (n, 3)."""
        return self.bundle.points_mm[self.number]

    @property
    def radii_mm(self) -> Doubles:
        """Radii along it, (n,)."""
        return self.bundle.radii_mm[self.number]

    def box_mm(self) -> npt.NDArray[np.float64]:
        """Corners of a box around it."""
        radius = self.radii_mm[:, None]
        return np.array(
            [(self.points_mm - radius).min(axis=0), (self.points_mm + radius).max(axis=0)]
        )

    def view(
        self,
        camera: Camera,
        window: Window,
        *,
        sampling: Sampling = ONE_SAMPLE,
        bare: bool = False,
    ) -> View:
        """Return what a pinhole sees of it in a window; its colours have no fine detail.

        It is drawn on the host and sent to the camera's device: a fibre is hundreds of small steps.
        """
        strips = self.bundle.seen_by(camera)
        line, radius = strips.outline(self.number, window)
        coverage, along, side, over = np.zeros((4, *window.shape), np.float32)
        stride = _stride(line)
        ends, radii = line[::stride], radius[::stride]
        for k, here in _segments(ends, radii, window.shape):
            drawn = (coverage, along, side, over)
            _draw_segment(drawn, ends[k : k + 2], radii[k : k + 2], here, number=k)
        # Only its two ends are round: between its segments it goes on.
        over[(along > 0) & (along < len(ends) - 1)] = 0
        along *= stride
        there = coverage > 0
        # Beside the fibre the depth of its axis goes on, for its blurred light goes there.
        np.copyto(along, _nearest(line, window.shape), where=~there, casting="same_kind")
        place = np.arange(len(line))
        depth_map = np.interp(along, place, strips.depth_mm[self.number]).astype(np.float32)
        normal = self._normals(along[there], side[there], over[there], camera)
        if bare:
            radii_mm = np.interp(along[there], place, self.radii_mm)
            depth_map[there] += (radii_mm * (normal @ camera.rotation[:, 2])).astype(np.float32)
            return View(window, NO_COLOUR, sent(coverage, camera.xp), sent(depth_map, camera.xp))
        # What hides and how it is blurred goes with the outline, which is as far as the axis.
        colour = np.zeros((3, *window.shape), np.float32)
        seen = self.radiance(along[there], normal, camera).astype(np.float32)
        colour[:, there] = seen.T * coverage[there]
        seen = camera.xp.moveaxis(sent(colour, camera.xp), 0, -1)
        return View(window, seen, sent(coverage, camera.xp), sent(depth_map, camera.xp))

    def misses(self, camera: Camera, window: Window) -> bool:
        """Say whether it surely covers nothing of a window."""
        return self.bundle.seen_by(camera).misses(self.number, window)

    def axes(self, camera: Camera) -> tuple[Doubles, Doubles, Doubles]:
        """Return unit vectors to the side, toward the eye and along it at each point, (n, 3) each.

        Seen from the eye with the tip up, the first points to the right.
        """
        axes = self.bundle.seen_by(camera).axes[self.number]
        return axes[:, :3], axes[:, 3:6], axes[:, 6:]

    def radiance(self, along: npt.NDArray, normal: npt.NDArray, camera: Camera) -> npt.NDArray:
        """Return the radiance at places along the fibre (in points from its root), (..., 3).

        The camera counts where it carries a flash.
        """
        colour = _along(self.colours, along)
        if self.lighting.flash is not None:
            radius = _along(self.radii_mm[:, None], along)
            at = _along(self.points_mm, along) + radius * normal
            light = camera_flash.brightness_on(self.lighting, camera, at, normal)
            return colour * light[..., None]
        return (
            colour * brightness(self.lighting, normal @ light_direction(self.lighting))[..., None]
        )

    def _normals(
        self, along: Floats, side: Floats, over: Floats, camera: Camera
    ) -> npt.NDArray[np.float64]:
        """Return outward unit normals of a round fibre with round ends, (n, 3).

        Parameters
        ----------
        along : array (n,)
            Place along the fibre, in points from its root.
        side, over : array (n,)
            Offset to the side and beyond the fibre's end, in radii.
        camera : Camera
        """
        axes = _along(self.bundle.seen_by(camera).axes[self.number], along)
        sideways, toward, heading = axes[:, :3], axes[:, 3:6], axes[:, 6:]
        length = np.maximum(np.hypot(side, over), 1)
        aside, beyond = (side / length)[..., None], (over / length)[..., None]
        facing = np.sqrt(np.maximum(1 - aside * aside - beyond * beyond, 0))
        return unit(aside * sideways + beyond * heading + facing * toward)


def _nearest(line: npt.NDArray, shape: tuple[int, int]) -> npt.NDArray[np.float64]:
    """Return about where on a line each pixel is nearest, by its place along the line's chord."""
    chord = line[-1] - line[0]
    place = np.maximum.accumulate((line - line[0]) @ chord)
    down = np.arange(shape[0])[:, None] + 0.5 - line[0, 0]
    across = np.arange(shape[1])[None, :] + 0.5 - line[0, 1]
    return np.interp(down * chord[0] + across * chord[1], place, np.arange(len(line)))


def _along(values: Doubles, place: npt.NDArray) -> Doubles:
    """Return values (n, k) between the points of a line, at places counted in points, (..., k)."""
    rise = np.diff(values, axis=0, append=values[-1:])
    low = place.astype(np.intp)
    return rise[low] * (place - low)[..., None] + values[low]


def _stride(line: npt.NDArray) -> int:
    """Return how many steps of a line may be drawn as one straight segment."""
    steps = len(line) - 1
    place = np.arange(steps + 1)
    for stride in (16, 8, 4, 2):
        if steps % stride == 0:
            kept = place[::stride]
            chords = np.stack([np.interp(place, kept, line[kept, axis]) for axis in (0, 1)], 1)
            if np.abs(chords - line).max() < _STRAIGHT_PX:
                return stride
    return 1


def _segments(
    ends: Doubles, radii: Doubles, shape: tuple[int, int]
) -> Iterator[tuple[int, tuple[slice, slice]]]:
    """Yield the segments of a line that may be seen in a window, and where in it."""
    margin = (np.maximum(radii[:-1], radii[1:]) + 1.5)[:, None]
    first = np.maximum(np.floor(np.minimum(ends[:-1], ends[1:]) - margin), 0).astype(np.intp)
    last = np.minimum(np.ceil(np.maximum(ends[:-1], ends[1:]) + margin), shape).astype(np.intp)
    for k in np.flatnonzero((first < last).all(axis=1)).tolist():
        yield k, (slice(first[k, 0], last[k, 0]), slice(first[k, 1], last[k, 1]))


def _draw_segment(
    drawn: tuple[Floats, Floats, Floats, Floats],
    ends: npt.NDArray,
    radii: npt.NDArray,
    here: tuple[slice, slice],
    *,
    number: int,
) -> None:
    """Draw a tapered segment where it covers more than what is drawn already."""
    coverage = drawn[0]
    rows, cols = here
    down = (np.arange(rows.start, rows.stop) + 0.5)[:, None] - ends[0, 0]
    across = (np.arange(cols.start, cols.stop) + 0.5)[None, :] - ends[0, 1]
    step = ends[1] - ends[0]
    length = max(float(np.hypot(*step)), 1e-9)
    ahead, aside = step.tolist()
    whole = (down * ahead + across * aside) / length**2
    share = np.clip(whole, 0, 1)
    off = np.hypot(down - share * ahead, across - share * aside)
    radius = radii[0] + share * (radii[1] - radii[0])
    # The strip between the fibre's two edges, so that hairs thinner than a pixel are right.
    flat, steep = (size / length for size in sorted((abs(ahead), abs(aside))))
    cover = straight_edge(radius - off, steep, flat) + straight_edge(radius + off, steep, flat) - 1
    wins = cover > coverage[here]
    turn = (across * ahead - down * aside) / length
    per_radius = 1 / np.maximum(radius, 0.5)
    beyond = (whole - share) * length * per_radius
    found = (cover, number + share, -turn * per_radius, beyond)
    for into, values in zip(drawn, found, strict=True):
        np.copyto(into[here], values, where=wins, casting="same_kind")
