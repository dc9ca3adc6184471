"""Lines of many fibres, projected all at once: what depends on the camera alone."""

from __future__ import annotations

import weakref
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ...ground.types import Doubles
from .camera import Camera, Window

#: An eye nearer to a fibre than this share of its distance is as good as on it.
_STEEPEST = 0.95
#: A fibre covers nothing of a sample that its outline is farther from, in samples: half a diagonal,
#: and what a bend may be straightened by.
_FAR = 1.0


@dataclass(frozen=True, eq=False)
class Bundle:
    """The centre lines of some fibres, of as many points each.

    Parameters
    ----------
    points_mm : array (fibres, points, 3)
        From root to tip, object space.
    radii_mm : array (fibres, points)
    """

    points_mm: Doubles
    radii_mm: Doubles
    _seen: dict[int, Strips] = field(default_factory=dict, init=False, repr=False)

    def seen_by(self, camera: Camera) -> Strips:
        """Return what a camera sees of them; it is kept for as long as the camera lives."""
        key = id(camera)
        if key not in self._seen:
            self._seen[key] = _strips(self, camera)
            weakref.finalize(camera, self._seen.pop, key, None)
        return self._seen[key]


@dataclass(frozen=True, eq=False)
class Strips:
    """What a camera sees of some fibres: a strip each, from its left edge to its right one.

    Parameters
    ----------
    middle_px : array (fibres, points, 2)
        Row and column of the strip's middle line, pixel coordinates.
    across_px : array (fibres, points, 2)
        From its left edge to its right one.
    depth_mm : array (fibres, points)
        Camera depth of the fibre's axis.
    axes : array (fibres, points, 9)
        Unit vectors to the side, toward the eye and along the fibre, object space. Seen from the
        eye with the tip up, the first points to the right.
    """

    middle_px: Doubles
    across_px: Doubles
    depth_mm: Doubles
    axes: Doubles
    _boxes: tuple[Doubles, Doubles]
    _reach_px: Doubles

    def outline(self, number: int, window: Window) -> tuple[Doubles, Doubles]:
        """Return a strip's middle line, (points, 2), and half its width, in a window's samples."""
        line = (self.middle_px[number] - (window.row0, window.col0)) / window.scale
        across = self.across_px[number] / window.scale
        heading = unit(np.gradient(line, axis=0))
        # The strip's width is taken across it; seen end-on it has no direction.
        width = np.abs(across[:, 0] * heading[:, 1] - across[:, 1] * heading[:, 0])
        return line, np.maximum(width, 0.5 * np.hypot(*across.T)) / 2

    def misses(self, number: int, window: Window) -> bool:
        """Say whether a strip surely covers nothing of a window."""
        spare = self._reach_px[number] + _FAR * window.scale
        low, high = (ends[number] for ends in self._boxes)
        within = (high > (window.row0 - spare, window.col0 - spare)) & (
            low < (window.row1 + spare, window.col1 + spare)
        )
        return not within.all(axis=1).any()


def _strips(bundle: Bundle, camera: Camera) -> Strips:
    """See all fibres.

    Sight touches a round fibre nearer to the eye than its axis is: the tangents from an eye at a
    distance d from the axis touch it at an angle of asin(r / d) from the side.
    """
    points, radii = bundle.points_mm, bundle.radii_mm
    heading = np.gradient(points, axis=1)
    sideways = unit(np.cross(points - camera.pupil_mm, heading))
    toward = unit(np.cross(sideways, heading))
    distance = ((camera.pupil_mm - points) * toward).sum(axis=-1)
    rise = np.minimum(radii / np.maximum(distance, 1e-9), _STEEPEST)
    near = points + (radii * rise)[..., None] * toward
    aside = (radii * np.sqrt(1 - rise**2))[..., None] * sideways
    left, right = (np.stack(camera.project(near + s * aside)[:2], axis=-1) for s in (-1, 1))
    middle, across = (left + right) / 2, right - left
    return Strips(
        middle_px=middle,
        across_px=across,
        depth_mm=camera.project(points)[2],
        axes=np.concatenate([sideways, toward, np.cross(toward, sideways)], axis=-1),
        _boxes=(
            np.minimum(middle[:, :-1], middle[:, 1:]),
            np.maximum(middle[:, :-1], middle[:, 1:]),
        ),
        _reach_px=np.hypot(across[..., 0], across[..., 1]).max(axis=1) / 2,
    )


def unit(vectors: npt.NDArray) -> npt.NDArray:
    """Return vectors, along the last axis, of length 1."""
    return vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), 1e-12)
