"""What a pass promises for a picture of a scene: the share of it that no frame shows sharp.

The depth of a scene is not evenly filled, and a picture that wanders does not show every point in
every frame. So points of the scene are followed instead of depths.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ....ground.types import Doubles
from ....simulator import view_depth
from ....simulator.optics import focus_distance_mm, image_scale_px_per_mm
from ....simulator.rig import Rig
from ....simulator.scene.scene import Scene
from ..draw.forecast import Way, tries_of
from ..draw.passes import Passes
from ..draw.setting import Setting

#: Picture points are looked up on a grid about this many wide.
_GRID = 96
#: Points followed, at most.
_POINTS = 2000
#: Values worked on at once.
_AT_ONCE = 4_000_000
#: A picture taken from farther back shows so much more than the nominal one, at most.
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
    setting: Setting,
    drawn: Passes,
    way: Way,
    points: Points,
    *,
    crop: tuple[int, int] | None = None,
) -> Doubles:
    """Return the share of the picture that no usable frame shows sharp, for every try.

    The picture is the view of the usable frame nearest the middle of the first pass.

    Parameters
    ----------
    setting : Setting
    drawn : Passes
    way : Way
        Its z is the scene's.
    points : Points
        Of the scene.
    crop : (width, height) or None
        As for the points.

    Returns
    -------
    array (tries,)
        NaN where the first pass has no usable frame.
    """
    rig = setting.rig
    width, height = crop or (rig.sensor.width_px, rig.sensor.height_px)
    half_mm = np.array([width, height]) / (2 * image_scale_px_per_mm(rig))
    planes, usable = tries_of(drawn, way)
    aside = drawn.aside_mm[:, : way.passes * len(planes), : way.frames]
    aside = aside.reshape(2, *planes.shape)
    chosen = _followed(points, aside, half_mm)
    chunk = max(1, _AT_ONCE // (planes.shape[1] * max(len(chosen), 1)))
    shares = [
        _never(
            points,
            chosen,
            aside[:, start : start + chunk],
            planes[start : start + chunk],
            usable[start : start + chunk],
            frames=way.frames,
            half_mm=half_mm,
            setting=setting,
        )
        for start in range(0, len(planes), chunk)
    ]
    return np.concatenate(shares)


def _followed(points: Points, aside: Doubles, half_mm: Doubles) -> npt.NDArray[np.intp]:
    """Return points that the picture may show, as many as are followed, drawn at random.

    Every tenth point, say, would fall in step with the rows of the picture.
    """
    wander = np.quantile(np.abs(aside), 0.99, axis=(1, 2))
    reach_mm = _PERSPECTIVE * half_mm + wander
    near = (np.abs(points.across_mm) <= reach_mm[0]) & (np.abs(points.down_mm) <= reach_mm[1])
    found = np.flatnonzero(near)
    return np.random.default_rng(0).permutation(found)[:_POINTS]


def _never(
    points: Points,
    chosen: npt.NDArray[np.intp],
    aside: Doubles,
    planes: Doubles,
    usable: npt.NDArray[np.bool_],
    *,
    frames: int,
    half_mm: Doubles,
    setting: Setting,
) -> Doubles:
    """Return the shares of some tries; arrays within are (tries, frames, points)."""
    distance = focus_distance_mm(setting.rig)
    z = points.z_mm[chosen]
    # Where a point is, and not where the plane of focus shows it.
    spread = (distance + z) / distance
    x, y = points.across_mm[chosen] * spread, points.down_mm[chosen] * spread
    behind = z - planes[..., np.newaxis]
    scale = distance / (distance + behind)
    inside = np.abs(x - aside[0][..., np.newaxis]) * scale <= half_mm[0]
    inside &= np.abs(y - aside[1][..., np.newaxis]) * scale <= half_mm[1]
    sharp = (behind >= -setting.lane.near_mm) & (behind <= setting.lane.far_mm)
    shown = (inside & sharp & usable[..., np.newaxis]).any(axis=1)
    first = usable[:, :frames]
    middle = np.abs(np.arange(frames) - (frames - 1) / 2)
    reference = np.where(first, middle, np.inf).argmin(axis=1)
    in_view = np.take_along_axis(inside, reference[:, np.newaxis, np.newaxis], axis=1)[:, 0]
    with np.errstate(invalid="ignore"):
        share = (in_view & ~shown).sum(axis=1) / in_view.sum(axis=1)
    return np.where(first.any(axis=1), share, np.nan)
