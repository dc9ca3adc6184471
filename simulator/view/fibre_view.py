"""The view of one fibre: a thin tapered cylinder along a line in space."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from functools import cached_property

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
#: Pixels of segments that are drawn at once.
_PIXELS_AT_ONCE = 1 << 13


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
        for some in _segments(ends, radii, window.shape).groups():
            _draw_segments((coverage, along, side, over), some)
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


@dataclass(frozen=True, eq=False)
class _Segments:
    """Tapered straight segments of a line, and the box of a window's pixels that each may cover.

    Parameters
    ----------
    number : array (n,)
        Of each along the line.
    ends : array (n, 2, 2)
        Its ends, (row, column), px.
    radii : array (n, 2)
        At its ends, px.
    first, last : array (n, 2) of int
        The box's first row and column, and those after its last.
    """

    number: npt.NDArray[np.intp]
    ends: Doubles
    radii: Doubles
    first: npt.NDArray[np.intp]
    last: npt.NDArray[np.intp]

    @cached_property
    def pixels(self) -> npt.NDArray[np.intp]:
        """How many pixels each box has."""
        return (self.last - self.first).prod(axis=1)  # type: ignore[no-any-return]

    def __getitem__(self, some: slice) -> _Segments:
        return _Segments(*(getattr(self, field.name)[some] for field in fields(self)))

    def groups(self) -> Iterator[_Segments]:
        """Yield them in their order, as many at once as a cache holds the pixels of."""
        begun, held = 0, 0
        for place, pixels in enumerate(self.pixels.tolist()):
            if held and held + pixels > _PIXELS_AT_ONCE:
                yield self[begun:place]
                begun, held = place, 0
            held += pixels
        if held:
            yield self[begun:]


def _segments(ends: Doubles, radii: Doubles, shape: tuple[int, int]) -> _Segments:
    """Return the segments of a line that may be seen in a window."""
    margin = (np.maximum(radii[:-1], radii[1:]) + 1.5)[:, None]
    first = np.maximum(np.floor(np.minimum(ends[:-1], ends[1:]) - margin), 0).astype(np.intp)
    last = np.minimum(np.ceil(np.maximum(ends[:-1], ends[1:]) + margin), shape).astype(np.intp)
    seen = np.flatnonzero((first < last).all(axis=1))
    spans, widths = (np.stack([one[seen], one[seen + 1]], axis=1) for one in (ends, radii))
    return _Segments(seen, spans, widths, first[seen], last[seen])


def _draw_segments(drawn: tuple[Floats, Floats, Floats, Floats], some: _Segments) -> None:
    """Draw segments, each where it covers more than what is drawn already.

    They are small, so what their pixels need is worked out for all of them at once.
    """
    which = np.repeat(np.arange(len(some.number)), some.pixels)
    stops = np.cumsum(some.pixels)
    height, width = (some.last - some.first).T
    row, col = np.divmod(np.arange(which.size) - (stops - some.pixels)[which], width[which])
    start, step = some.ends[:, 0], some.ends[:, 1] - some.ends[:, 0]
    down = row + (some.first[:, 0] + 0.5)[which] - start[:, 0][which]
    across = col + (some.first[:, 1] + 0.5)[which] - start[:, 1][which]
    length = np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-9)
    squares = np.array([one**2 for one in length.tolist()])
    steep, flat = np.abs(step).max(axis=1) / length, np.abs(step).min(axis=1) / length
    step_down, step_across, length = step[:, 0][which], step[:, 1][which], length[which]
    whole = (down * step_down + across * step_across) / squares[which]
    share = np.clip(whole, 0, 1)
    off = np.hypot(down - share * step_down, across - share * step_across)
    radius = some.radii[:, 0][which] + share * (some.radii[:, 1] - some.radii[:, 0])[which]
    # The strip between the fibre's two edges, so that hairs thinner than a pixel are right.
    edges = straight_edge(np.stack([radius - off, radius + off]), steep[which], flat[which])
    turn = (across * step_down - down * step_across) / length
    per_radius = 1 / np.maximum(radius, 0.5)
    values = (
        edges[0] + edges[1] - 1,
        some.number[which] + share,
        -turn * per_radius,
        (whole - share) * length * per_radius,
    )
    boxes = zip(stops - some.pixels, stops, height, width, some.first, some.last, strict=True)
    for begun, stop, rows, cols, first, last in boxes:
        here = slice(first[0], last[0]), slice(first[1], last[1])
        own = [one[begun:stop].reshape(rows, cols) for one in values]
        wins = own[0] > drawn[0][here]
        for into, one in zip(drawn, own, strict=True):
            np.copyto(into[here], one, where=wins, casting="same_kind")
