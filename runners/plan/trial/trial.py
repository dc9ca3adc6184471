"""Plans of random settings, held to what they promise: by tries of the simulator, and unplanned.

The planner draws passes by laws of its own, and counts depths along the optical axis. Here the
simulator shoots, and its renderer says how wide each frame blurs each point of a tilted card.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from math import sqrt
from typing import Any

import numpy as np
import pandas as pd
from tqdm import tqdm

from ....ground.types import Bools
from ....simulator.pose import NOMINAL
from ....simulator.scene.scene import Scene
from ....simulator.shooting.motion import Nearest, blur_diameter_px, nearest
from ....simulator.shooting.shoot import Shoot
from ....simulator.steps import side_by_side
from ....simulator.view.camera import Camera
from ..advise.advice import Advice, advise
from ..draw.rehearsal import coverage_of
from ..draw.setting import Setting
from ..draw.way import Way
from ..study.tries import outline_in, shoot_try
from .settings import card, random_setting, width_mm

#: Drawn tries behind the comparison with the unplanned pass.
_PAIRED_TRIES = 1500
#: Columns of the card in the depth that one frame holds, at least.
_COLUMNS = 200
#: Share of a blur disc that rounding may make it wider.
_SLACK = 1e-3


def try_settings(
    numbers: Iterable[int], *, tries: int, workers: int = 1, progress: bool = False
) -> pd.DataFrame:
    """Plan settings, shoot what is advised, and compare; one row a setting.

    Parameters
    ----------
    numbers : iterable of int
        Of the settings, as in `random_setting`.
    tries : int
        Shoots of the simulator for each.
    workers : int
        Processes; the rows are the same for any number.
    progress : bool
        A bar on stderr.

    Returns
    -------
    DataFrame
        What was asked; ``verdict``, ``kind``, ``passes``, ``frames``; ``promised``, the chance
        that the plan tells; ``kept`` of ``tries``, shoots of the simulator that left nothing of
        the card unsharp; ``unplanned``, the chance that the plan tells of no plan; ``gain`` and
        ``gain_error``, by how much the advised way covers all more often than no plan on drawn
        passes that neither has seen, paired, and the standard error of that.
    """
    asked = list(numbers)
    row_of = partial(_row, tries=tries)
    found = side_by_side(row_of, asked, workers=workers)
    bar = tqdm(found, total=len(asked), desc="settings", unit="plan", disable=not progress)
    return pd.DataFrame(list(bar))


def shot_whole(setting: Setting, way: Way, *, seed: int) -> bool:
    """Shoot a way with the simulator once, and return whether no depth of a card is missed."""
    scene = card(setting)
    shoots = shoot_try(way, setting, scene, seed=seed)
    return bool(_covered(setting, scene, shoots).all())


def _row(number: int, *, tries: int) -> dict[str, Any]:
    setting = random_setting(number)
    found = advise(setting)
    best = found.advised
    gain, error = _gain(setting, found, seed=1_000_000 + number)
    # Seeds of its own: with the same ones in all settings their luck would not average out.
    seeds = range(number * tries, (number + 1) * tries)
    kept = sum(shot_whole(setting, best.way, seed=seed) for seed in seeds)
    return {
        **_asked(number, setting),
        "kind": best.way.approach.kind,
        "passes": best.way.passes,
        "frames": best.way.frames,
        "reaches": found.reaches,
        "promised": best.chance,
        "kept": kept,
        "tries": tries,
        "unplanned": found.unplanned.chance,
        "gain": gain,
        "gain_error": error,
    }


def _asked(number: int, setting: Setting) -> dict[str, Any]:
    light = setting.light
    return {
        "setting": number,
        "rig": setting.rig.name,
        "magnification": setting.rig.lens.magnification,
        "f_number": setting.rig.lens.f_number,
        "stance": setting.stance.name,
        "missed_mm": setting.stance.start_error_mm,
        "light": light.name,
        "subject": setting.subject.name,
        "depth_mm": setting.depth_mm,
        "lane_mm": setting.lane.total_mm,
        "subject_mm": width_mm(setting),
        "wanted": setting.chance,
    }


def _gain(setting: Setting, found: Advice, *, seed: int) -> tuple[float, float]:
    """Return by how much the advised way covers all more often than no plan, and its error."""
    ways = found.advised.way, found.unplanned.way
    together = ways[0].passes
    fresh = setting.rehearse(
        frames=max(way.frames for way in ways),
        passes=_PAIRED_TRIES * together,
        seed=seed,
        together=together,
    )
    one, other = (coverage_of(fresh, way).whole.astype(float) for way in ways)
    difference = one - other
    return float(difference.mean()), float(difference.std() / sqrt(_PAIRED_TRIES))


def _covered(setting: Setting, scene: Scene, shoots: tuple[Shoot, ...]) -> Bools:
    """Return which points of the card some frame of a try shows as sharp as was asked."""
    bin = _bin(setting)
    seen = _seen(setting, scene, bin=bin)
    blur = setting.sharpness.blur_px / bin * (1 + _SLACK)
    covered = ~_wanted(setting, seen)
    for shot in shoots:
        for record in shot.records:
            camera = Camera(setting.rig, record.pose, record.refocus_mm, None, bin, record.subject)
            if not record.usable or covered.all():
                continue
            if outline_in(camera, setting, focus_mm=record.focus_z_mm):
                with np.errstate(invalid="ignore"):
                    covered |= blur_diameter_px(seen, camera) <= blur
    return covered


def _bin(setting: Setting) -> int:
    """Return how many pixels are merged into one: the card needs no more columns than tell."""
    columns = width_mm(setting) * setting.framing.px_per_mm
    per_lane = columns * min(setting.lane.total_mm / setting.depth_mm, 1.0)
    return max(1, int(per_lane / _COLUMNS))


def _seen(setting: Setting, scene: Scene, *, bin: int) -> Nearest:
    """Return what the nominal camera sees of the card: a row across it."""
    columns = int(np.ceil(width_mm(setting) * setting.framing.px_per_mm / bin)) + 2
    crop = min(columns * bin, setting.rig.sensor.width_px // bin * bin), bin
    return nearest(scene, Camera(setting.rig, NOMINAL, 0.0, crop, bin))


def _wanted(setting: Setting, seen: Nearest) -> Bools:
    """Return which points of the card lie in the depth that was planned for."""
    z_mm = seen.depth_mm - setting.framing.distance_mm
    return np.asarray((z_mm >= 0) & (z_mm <= setting.depth_mm))
