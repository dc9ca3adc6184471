"""A way of shooting, shot once: its passes on a scene, as people make them, and what they hold."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import accumulate
from typing import Any

import numpy as np

from ....simulator.handling.approach import Approach
from ....simulator.handling.ends import draw_ends, performed
from ....simulator.handling.flash import frame_times
from ....simulator.scene.scene import Scene
from ....simulator.shooting.shoot import (
    USABLE_GAIN_STOPS,
    USABLE_SMEAR_PX,
    FrameRecord,
    Shoot,
    shoot,
)
from ....simulator.view.camera import Camera
from ..draw.coverage import cover_depth
from ..draw.planned import Planned
from ..draw.setting import Setting
from ..draw.way import Way
from ..show.curves import Lanes, stretches

#: Seeds of tries lie so far apart: no way has so many passes.
_APART = 1000
#: A scene is deeper than the plan from this ratio on.
_DEEPER = 1.02


@dataclass(frozen=True, kw_only=True, eq=False)
class Try:
    """What was planned, shot once.

    Parameters
    ----------
    planned : Planned
        Its z = 0 is the nearest point wanted.
    shoots : tuple of Shoot
        One a pass.
    ends_mm : (near, far)
        z of the nearest and of the farthest point that the picture shows; the nearest one wanted
        is the former.
    seed : int
    """

    planned: Planned
    shoots: tuple[Shoot, ...]
    ends_mm: tuple[float, float]
    seed: int

    @property
    def near_mm(self) -> float:
        """Z of the nearest point wanted in the scene."""
        return self.ends_mm[0]

    @property
    def shown_mm(self) -> float:
        """Depth that the picture shows."""
        return self.ends_mm[1] - self.ends_mm[0]

    @property
    def deeper(self) -> bool:
        """Whether the picture shows more depth than was planned for."""
        return self.shown_mm > _DEEPER * self.planned.setting.depth_mm

    @cached_property
    def faults(self) -> tuple[tuple[str, ...], ...]:
        """Why each frame of each pass does not count; empty where it does."""
        setting = self.planned.setting
        return tuple(
            tuple(fault(setting, record) for record in shot.records) for shot in self.shoots
        )

    @cached_property
    def lanes(self) -> Lanes:
        """Which depth each frame holds, in the order of shooting; 0 is the nearest point wanted."""
        lane, depth_mm = self.planned.setting.lane, self.planned.setting.depth_mm
        planes = np.array([plane_mm(record) for shot in self.shoots for record in shot.records])
        planes -= self.near_mm
        usable = np.array([not why for faults in self.faults for why in faults])
        held = cover_depth(
            planes[np.newaxis], usable[np.newaxis], lane=lane, near_mm=0.0, far_mm=depth_mm
        )
        first = list(accumulate(shot.frames for shot in self.shoots))[:-1]
        return Lanes(
            way=self.planned.way,
            near_mm=planes - lane.near_mm,
            far_mm=planes + lane.far_mm,
            usable=usable,
            later_passes=tuple(first),
            share=float(held.share[0]),
        )

    @cached_property
    def missed(self) -> tuple[tuple[float, float], ...]:
        """The depths that no frame which counts holds, from near to far, mm."""
        found = stretches(self.lanes, self.planned.setting.depth_mm)
        return tuple((near, far) for near, far, held in found if not held)


def try_of(
    planned: Planned, scene: Scene, *, ends_mm: tuple[float, float], seed: int, **how: Any
) -> Try:
    """Shoot what was planned once; parameters as of `Try` and `shoot_try`."""
    way = moved(planned.way, ends_mm[0])
    shoots = shoot_try(way, planned.setting, scene, seed=seed, **how)
    return Try(planned=planned, shoots=shoots, ends_mm=ends_mm, seed=seed)


def plane_mm(record: FrameRecord) -> float:
    """Return z of a frame's plane of focus in the subject, wherever that has swayed to."""
    return record.focus_z_mm - record.subject.z_mm


def fault(setting: Setting, record: FrameRecord) -> str:
    """Return why a frame does not count, in a word or two; empty where it does."""
    if not record.subject.present:
        return "no subject"
    if record.gain_stops < USABLE_GAIN_STOPS:
        return "too dark"
    if record.smear_px > USABLE_SMEAR_PX:
        return "smeared"
    whole = Camera(setting.rig, record.pose, record.refocus_mm, None, 1, record.subject)
    return "" if outline_in(whole, setting, focus_mm=record.focus_z_mm) else "cut off"


def outline_in(camera: Camera, setting: Setting, *, focus_mm: float) -> bool:
    """Return whether a picture shows all of the subject where the plane of focus cuts it.

    Parameters
    ----------
    camera : Camera
        Of the whole sensor.
    setting : Setting
    focus_mm : float
        z of that plane on the axis.
    """
    framing, swayed = setting.framing, camera.subject
    across, down = framing.half_width_mm / 2, framing.half_height_mm / 2
    if framing.subject_mm is not None:
        across = down = framing.subject_mm / 2
    outline = [
        (swayed.x_mm + x, swayed.y_mm + y, focus_mm)
        for x in (-across, across)
        for y in (-down, down)
    ]
    row, col, _ = camera.project(outline)
    rows, cols = camera.frame.shape
    return bool(((row >= 0) & (row <= rows) & (col >= 0) & (col <= cols)).all())


def shoot_try(
    way: Way, setting: Setting, scene: Scene, *, seed: int, **how: Any
) -> tuple[Shoot, ...]:
    """Shoot a way once: people start, stop and let go as they do.

    Parameters
    ----------
    way : Way
        Its z is the scene's.
    setting : Setting
        What it was planned for.
    scene : Scene
    seed : int
        Of all that is random; another seed is another try.
    **how
        As for `simulator.shooting.shoot.shoot`: crop, bin, quality, ...

    Returns
    -------
    tuple of Shoot
        One a pass, in their order; nothing is rendered yet.
    """
    shoots = []
    for number in range(way.passes):
        own = _APART * seed + number
        approach, frames = _performed(way, setting, scene, number=number, seed=own)
        shoots.append(
            shoot(
                scene,
                setting.rig,
                stance=setting.stance,
                light=setting.light,
                subject=setting.subject,
                approach=approach,
                frames=frames,
                seed=own,
                **how,
            )
        )
    return tuple(shoots)


def moved(way: Way, near_mm: float) -> Way:
    """Return a way laid from the nearest point on, laid in a scene whose nearest point is there."""
    start = way.approach.start_mm + near_mm
    return replace(way, approach=replace(way.approach, start_mm=start))


def _performed(
    way: Way, setting: Setting, scene: Scene, *, number: int, seed: int
) -> tuple[Approach, int]:
    """Return a pass of a way as it is really made, and its frames."""
    offset_mm = float(way.offsets_mm()[number])
    approach = replace(way.approach, start_mm=way.approach.start_mm + offset_mm)
    ends = draw_ends(setting.stance, seed=seed, scene=scene.name)
    columns = setting.columns(setting.light, way.frames)
    times_s = frame_times(setting.light, columns, seed=seed, scene=scene.name)
    return performed(approach, times_s, frames=way.frames, ends=ends)
