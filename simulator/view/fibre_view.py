"""The view of one fibre: a thin tapered cylinder along a line in space."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...ground.arrays import sent
from ...ground.types import Floats
from ..scene.scene import Lighting
from . import camera_flash
from .camera import Camera, Window
from .coverage import straight_edge
from .shading import brightness, light_direction
from .view import NO_COLOUR, ONE_SAMPLE, Sampling, View

#: A bend that stays this close to a straight line, in pixels, is drawn as one.
_STRAIGHT_PX = 0.05
#: An eye nearer to a fibre than this share of its distance is as good as on it.
_STEEPEST = 0.95


@dataclass(frozen=True, eq=False)
class FibrePart:
    """A fibre, ready to be seen.

    Parameters
    ----------
    name : str
        Surface it belongs to.
    points_mm : array (n, 3)
        Centre line from root to tip, object space.
    radii_mm : array (n,)
    colours : array (n, 3)
        Linear-light colours along it.
    lighting : Lighting
    living : bool
    """

    name: str
    points_mm: npt.NDArray[np.float64]
    radii_mm: npt.NDArray[np.float64]
    colours: npt.NDArray[np.float64]
    lighting: Lighting
    living: bool = True
    region: str = "fibres"
    extended: bool = False
    detail_mm: float = 0.0
    translucent: bool = False
    image: None = None

    def box_mm(self) -> npt.NDArray[np.float64]:
        """Corners of a box around it."""
        radius = self.radii_mm[:, None]
        return np.array(
            [(self.points_mm - radius).min(axis=0), (self.points_mm + radius).max(axis=0)]
        )

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
        """Return what a pinhole sees of it in a window; its colours have no fine detail.

        It is drawn on the host and sent to the camera's device: a fibre is hundreds of small steps.
        """
        line, radius = self._silhouette(camera, window)
        coverage, along, side, over = np.zeros((4, *window.shape), np.float32)
        stride = _stride(line)
        ends, radii = line[::stride], radius[::stride]
        for k in range(len(ends) - 1):
            drawn = (coverage, along, side, over)
            _draw_segment(drawn, ends[k : k + 2], radii[k : k + 2], number=k)
        # Only its two ends are round: between its segments it goes on.
        over[(along > 0) & (along < len(ends) - 1)] = 0
        along *= stride
        there = coverage > 0
        # Beside the fibre the depth of its axis goes on, for its blurred light goes there.
        np.copyto(along, _nearest(line, window.shape), where=~there, casting="same_kind")
        place = np.arange(len(line))
        depth_map = np.interp(along, place, camera.project(self.points_mm)[2]).astype(np.float32)
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

    def _silhouette(
        self, camera: Camera, window: Window
    ) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        """Return the middle line of what a camera sees of it, (n, 2), and half its width, samples.

        Sight touches the round fibre nearer to the eye than its axis is: the tangents from an eye
        at a distance d from the axis touch it at an angle of asin(r / d) from the side.
        """
        sideways, toward = self.frames(camera.pupil_mm)
        distance = ((camera.pupil_mm - self.points_mm) * toward).sum(axis=1)
        rise = np.minimum(self.radii_mm / np.maximum(distance, 1e-9), _STEEPEST)
        near = self.points_mm + (self.radii_mm * rise)[:, None] * toward
        aside = (self.radii_mm * np.sqrt(1 - rise**2))[:, None] * sideways
        left, right = (np.stack(camera.project(near + s * aside)[:2], axis=1) for s in (-1, 1))
        line = ((left + right) / 2 - (window.row0, window.col0)) / window.scale
        across = (right - left) / window.scale
        heading = _unit(np.gradient(line, axis=0))
        # The strip's width is taken across it; seen end-on it has no direction.
        width = np.abs(across[:, 0] * heading[:, 1] - across[:, 1] * heading[:, 0])
        return line, np.maximum(width, 0.5 * np.hypot(*across.T)) / 2

    def fills(self, camera: Camera, window: Window) -> bool:
        """Say no: it is too small to."""
        return False

    def frames(self, eye_mm: npt.NDArray) -> tuple[npt.NDArray, npt.NDArray]:
        """Return unit normals to the side and toward an eye at each point, each (n, 3).

        Seen from the eye with the tip up, the first points to the right.
        """
        heading = np.gradient(self.points_mm, axis=0)
        sight = self.points_mm - eye_mm
        sideways = _unit(np.cross(sight, heading))
        return sideways, _unit(np.cross(sideways, heading))

    def radiance(self, along: npt.NDArray, normal: npt.NDArray, camera: Camera) -> npt.NDArray:
        """Return the radiance at places along the fibre (in points from its root), (..., 3).

        The camera counts where it carries a flash.
        """
        place = np.arange(len(self.points_mm))
        colour = np.stack([np.interp(along, place, c) for c in self.colours.T], axis=-1)
        if self.lighting.flash is not None:
            axis = np.stack([np.interp(along, place, c) for c in self.points_mm.T], axis=-1)
            at = axis + np.interp(along, place, self.radii_mm)[..., None] * normal
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
        place = np.arange(len(self.points_mm))
        sideways, toward = self.frames(camera.pupil_mm)
        sideways, toward, heading = (
            np.stack([np.interp(along, place, part) for part in axes.T], axis=-1)
            for axes in (sideways, toward, np.cross(toward, sideways))
        )
        length = np.maximum(np.hypot(side, over), 1)
        aside, beyond = (side / length)[..., None], (over / length)[..., None]
        facing = np.sqrt(np.maximum(1 - aside * aside - beyond * beyond, 0))
        return _unit(aside * sideways + beyond * heading + facing * toward)


def _nearest(line: npt.NDArray, shape: tuple[int, int]) -> npt.NDArray[np.float64]:
    """Return about where on a line each pixel is nearest, by its place along the line's chord."""
    chord = line[-1] - line[0]
    place = np.maximum.accumulate((line - line[0]) @ chord)
    down = np.arange(shape[0])[:, None] + 0.5 - line[0, 0]
    across = np.arange(shape[1])[None, :] + 0.5 - line[0, 1]
    return np.interp(down * chord[0] + across * chord[1], place, np.arange(len(line)))


def _unit(vectors: npt.NDArray) -> npt.NDArray:
    return vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), 1e-12)


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


def _draw_segment(
    drawn: tuple[Floats, Floats, Floats, Floats],
    ends: npt.NDArray,
    radii: npt.NDArray,
    *,
    number: int,
) -> None:
    """Draw a tapered segment where it covers more than what is drawn already."""
    coverage, along, side, over = drawn
    margin = radii.max() + 1.5
    rows = _span(ends[:, 0], margin, coverage.shape[0])
    cols = _span(ends[:, 1], margin, coverage.shape[1])
    if rows.start >= rows.stop or cols.start >= cols.stop:
        return
    down = (np.arange(rows.start, rows.stop) + 0.5)[:, None] - ends[0, 0]
    across = (np.arange(cols.start, cols.stop) + 0.5)[None, :] - ends[0, 1]
    step = ends[1] - ends[0]
    length = max(float(np.hypot(*step)), 1e-9)
    whole = (down * step[0] + across * step[1]) / length**2
    share = np.clip(whole, 0, 1)
    off = np.hypot(down - share * step[0], across - share * step[1])
    radius = radii[0] + share * (radii[1] - radii[0])
    # The strip between the fibre's two edges, so that hairs thinner than a pixel are right.
    steep, flat = np.abs(step).max() / length, np.abs(step).min() / length
    cover = straight_edge(radius - off, steep, flat) + straight_edge(radius + off, steep, flat) - 1
    here = (rows, cols)
    wins = cover > coverage[here]
    turn = (across * step[0] - down * step[1]) / length
    coverage[here] = np.where(wins, cover, coverage[here])
    along[here] = np.where(wins, number + share, along[here])
    per_radius = 1 / np.maximum(radius, 0.5)
    side[here] = np.where(wins, -turn * per_radius, side[here])
    over[here] = np.where(wins, (whole - share) * length * per_radius, over[here])


def _span(ends: npt.NDArray, margin: float, length: int) -> slice:
    return slice(
        max(int(np.floor(ends.min() - margin)), 0),
        min(int(np.ceil(ends.max() + margin)), length),
    )
