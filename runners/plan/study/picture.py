"""What a pass promises for a picture of a scene: the share of it that no frame shows sharp.

The depths of a scene are not evenly spread, and a picture that wanders does not show every point in
every frame. So single points of the scene are followed through the frames.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ....ground.types import Bools, Doubles, Indices
from ....simulator import view_depth
from ....simulator.optics import image_scale_px_per_mm
from ....simulator.rig import Rig
from ....simulator.scene.scene import Scene
from ..draw.conditions import Framing
from ..draw.rehearsal import Rehearsal, tries_of
from ..draw.way import Way

#: Points of the picture's width at which the scene is looked up, about.
_GRID = 96
#: Points followed, at most.
_POINTS = 2000
#: Values held in memory at once, about.
_AT_ONCE = 4_000_000
#: A picture taken from farther back shows at most so many times the nominal width.
_PERSPECTIVE = 1.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Points:
    """Points of a scene that a picture may show.

    Parameters
    ----------
    across_mm, down_mm : array (points,)
        Where the nominal view shows them, in its plane of focus.
    z_mm : array (points,)
        Depth behind the nominal plane of focus.
    """

    across_mm: Doubles
    down_mm: Doubles
    z_mm: Doubles

    def at(self, chosen: Indices) -> Points:
        """Return some of the points."""
        return Points(
            across_mm=self.across_mm[chosen], down_mm=self.down_mm[chosen], z_mm=self.z_mm[chosen]
        )


def scene_points(
    scene: Scene, rig: Rig, *, crop: tuple[int, int] | None = None, margin: float = 0.6
) -> Points:
    """Return points of a scene in the nominal view and about it, evenly spread over the picture.

    Parameters
    ----------
    scene : Scene
    rig : Rig
    crop : (width, height) or None
        Middle part of the sensor, in its own pixels.
    margin : float
        How far beyond the picture points are taken, in picture widths and heights.
    """
    width, height = crop or (rig.sensor.width_px, rig.sensor.height_px)
    merge = max(1, width // _GRID)
    grown = 1 + 2 * margin
    sensor = replace(
        rig.sensor,
        pitch_um=rig.sensor.pitch_um * merge,
        width_px=max(1, round(grown * width / merge)),
        height_px=max(1, round(grown * height / merge)),
    )
    coarse = replace(rig, sensor=sensor)
    z = view_depth(scene, coarse)
    step_mm = 1 / image_scale_px_per_mm(coarse)
    rows, cols = z.shape
    down = (np.arange(rows) + 0.5 - rows / 2) * step_mm
    across = (np.arange(cols) + 0.5 - cols / 2) * step_mm
    hit = np.isfinite(z)
    return Points(
        across_mm=np.broadcast_to(across, z.shape)[hit],
        down_mm=np.broadcast_to(down[:, np.newaxis], z.shape)[hit],
        z_mm=z[hit].astype(np.float64),
    )


def never_sharp_share(
    rehearsal: Rehearsal, way: Way, points: Points, *, framing: Framing
) -> Doubles:
    """Return the share of the picture that no usable frame shows sharp, for every try.

    The picture is the view of the usable frame nearest the middle of the first pass.

    Parameters
    ----------
    rehearsal : Rehearsal
    way : Way
        Its z is the scene's.
    points : Points
        Of the scene.
    framing : Framing
        Of the part of the sensor that is the picture.

    Returns
    -------
    array (tries,)
        NaN where the first pass has no usable frame.
    """
    lane = rehearsal.goal.lane
    found = tries_of(rehearsal, way)
    planes, usable = found.planes_mm, found.usable
    aside = found.passes.aside_mm.reshape(2, way.passes, len(planes), -1)
    aside = np.swapaxes(aside, 1, 2).reshape(2, *planes.shape)
    followed = points.at(_followed(points, aside, framing))
    chunk = max(1, _AT_ONCE // (planes.shape[1] * max(len(followed.z_mm), 1)))
    first_pass = planes.shape[1] // way.passes
    shares = []
    for start in range(0, len(planes), chunk):
        rows = slice(start, start + chunk)
        behind = followed.z_mm - planes[rows, :, np.newaxis]
        inside = _inside(followed, aside[:, rows], behind, framing)
        sharp = (behind >= -lane.near_mm) & (behind <= lane.far_mm)
        shares.append(_missed_share(inside, sharp, usable[rows], first_pass=first_pass))
    return np.concatenate(shares)


def _followed(points: Points, aside: Doubles, framing: Framing) -> Indices:
    """Choose points that the picture may show, as many as are followed, drawn at random.

    Every tenth point, say, could all fall into the same columns of the grid.
    """
    across, down = np.quantile(np.abs(aside), 0.99, axis=(1, 2))
    near = np.abs(points.across_mm) <= _PERSPECTIVE * framing.half_width_mm + across
    near &= np.abs(points.down_mm) <= _PERSPECTIVE * framing.half_height_mm + down
    found = np.flatnonzero(near)
    return np.random.default_rng(0).permutation(found)[:_POINTS]


def _inside(points: Points, aside: Doubles, behind_mm: Doubles, framing: Framing) -> Bools:
    """Return which frames have which points in the picture, shape (tries, frames, points).

    Parameters
    ----------
    points : Points
    aside : array (2, tries, frames)
        Where the picture's middle lies, mm across and down.
    behind_mm : array (tries, frames, points)
        How far each point is behind the plane of focus.
    framing : Framing
    """
    distance = framing.distance_mm
    # Where the point itself is, not where it shows in the plane of focus.
    spread = (distance + points.z_mm) / distance
    x, y = points.across_mm * spread, points.down_mm * spread
    scale = distance / (distance + behind_mm)
    inside = np.abs(x - aside[0][..., np.newaxis]) * scale <= framing.half_width_mm
    inside &= np.abs(y - aside[1][..., np.newaxis]) * scale <= framing.half_height_mm
    return np.asarray(inside)


def _missed_share(inside: Bools, sharp: Bools, usable: Bools, *, first_pass: int) -> Doubles:
    """Return the share of the reference's picture that no usable frame shows sharp, one a try.

    Parameters
    ----------
    inside, sharp : array (tries, frames, points)
        Whether a frame has a point in the picture, and whether in focus.
    usable : array (tries, frames)
    first_pass : int
        Frames of the first pass, in which the reference is.
    """
    shown = (inside & sharp & usable[..., np.newaxis]).any(axis=1)
    first = usable[:, :first_pass]
    from_middle = np.abs(np.arange(first_pass) - (first_pass - 1) / 2)
    reference = np.where(first, from_middle, np.inf).argmin(axis=1)
    in_view = np.take_along_axis(inside, reference[:, np.newaxis, np.newaxis], axis=1)[:, 0]
    with np.errstate(invalid="ignore"):
        share = (in_view & ~shown).sum(axis=1) / in_view.sum(axis=1)
    return np.where(first.any(axis=1), share, np.nan)
