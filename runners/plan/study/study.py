"""The rendered study: what step, hands and plan do to a merged picture of a scene."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import ceil
from typing import Any

import numpy as np
import pandas as pd
from tqdm import tqdm

from ....ground.types import Doubles
from ....simulator.handling.approach import cover
from ....simulator.handling.flash import frame_times
from ....simulator.handling.hands import load_stance
from ....simulator.handling.light import Light
from ....simulator.loading.scenes import load_scene
from ....simulator.rig import Rig
from ....simulator.scene.scene import Scene
from ....simulator.shooting.truth import NEVER_PX
from ....simulator.steps import side_by_side
from ....simulator.streams import stream
from ...isolate.run import find_method
from ...judge.memory_stack import JoinedShoots, MemoryStack
from ...judge.scoring import Judge
from ..advise.advice import Plan, advised_way, search_rehearsal
from ..advise.remedies import changes
from ..draw.conditions import framing_of
from ..draw.setting import Setting
from ..draw.sharpness import blur_limit
from ..draw.way import Goal, Way, goes_in_steps, unplanned_way
from .picture import never_sharp_share, scene_points
from .tries import moved, shoot_try

#: Rendered pixels across the wanted blur disc; finer ones would show nothing more.
_PIXELS_PER_BLUR = 3.0
#: Share of the picture's points that are left out of its depth at either end.
_ENDS = 0.02
#: Drawn tries behind the expected share.
_PREDICTED_TRIES = 400
#: Most frames of a swing at a fine step.
_MOST_FRAMES = 120
#: The unplanned way, the advised one, and two changes.
_WAYS = 4


@dataclass(frozen=True, kw_only=True)
class StudyStack:
    """One stack to render, merge and score.

    Parameters
    ----------
    part : {"step", "plan"}
        Of the study: over the step, or one of the plan's ways.
    name : str
    setting : Setting
    way : Way
        Its z is the scene's.
    seed : int
    """

    part: str
    name: str
    setting: Setting
    way: Way
    seed: int


@dataclass(frozen=True, kw_only=True)
class StudySetup:
    """What all stacks of a study share.

    Parameters
    ----------
    scene : Scene
    method : str
        As `runners.isolate.run.find_method` takes it.
    crop : (width, height)
        Middle of the sensor, in its own pixels.
    bin : int
        Pixels merged into one, per side.
    """

    scene: Scene
    method: str
    crop: tuple[int, int]
    bin: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Study:
    """A finished study.

    Parameters
    ----------
    setup : StudySetup
    rows : DataFrame
        As `run_study` returns them.
    try_page : str
        One try of the plan, as HTML; empty if none was asked for.
    """

    setup: StudySetup
    rows: pd.DataFrame
    try_page: str = ""


def setup_for(
    setting: Setting,
    scene: str | Scene,
    *,
    method: str,
    crop: tuple[int, int],
) -> StudySetup:
    """Return a setup whose pictures are as fine as the wanted sharpness asks for, not finer.

    Raises
    ------
    ValueError
        There is no such scene or method.
    """
    find_method(method)  # raises now, not after the first stack
    scene = load_scene(scene) if isinstance(scene, str) else scene
    sensor = setting.rig.sensor
    crop = min(crop[0], sensor.width_px), min(crop[1], sensor.height_px)
    merge = max(1, int(setting.sharpness.blur_px / _PIXELS_PER_BLUR))
    return StudySetup(scene=scene, method=method, crop=crop, bin=min(merge, *crop))


def depth_in_view(
    scene: Scene, rig: Rig, *, crop: tuple[int, int] | None = None
) -> tuple[float, float]:
    """Return the depth of the scene that the picture shows, near and far, mm."""
    points = scene_points(scene, rig, crop=crop, margin=0.0)
    near, far = np.quantile(points.z_mm, [_ENDS, 1 - _ENDS])
    return float(near), float(far)


def step_stacks(
    setting: Setting,
    setup: StudySetup,
    *,
    shares: Sequence[float],
    seeds: Iterable[int],
) -> list[StudyStack]:
    """Return the stacks of the study over the step: on a support, and in the setting's own hands.

    On a support each seed starts at another place within a step.
    """
    near, far = depth_in_view(setup.scene, setting.rig, crop=setup.crop)
    support = replace(setting, stance=load_stance("stepped"))
    stacks: list[StudyStack] = []
    for share in shares:
        step_mm = share * setting.lane.total_mm
        for seed in seeds:
            late = float(stream(seed, setup.scene.name, "study-phase").uniform())
            frames = ceil((far - near) / step_mm + late) + 1
            stepped = replace(
                support.stance.approach, start_mm=near - late * step_mm, step_mm=step_mm
            )
            ways = [("on a support", support, Way(passes=1, frames=frames, approach=stepped))]
            if setting.goal.handheld:
                leaned = _leaned(setting.goal, setting.light, near, far, step_mm=step_mm)
                ways.append(("handheld", setting, leaned))
            stacks += [
                StudyStack(part="step", name=name, setting=asked, way=way, seed=seed)
                for name, asked, way in ways
            ]
    # Two coarse steps may come to the same few frames and are then one stack.
    return list({(stack.name, stack.way, stack.seed): stack for stack in stacks}.values())


def plan_stacks(plan: Plan, setup: StudySetup, *, seeds: Iterable[int]) -> list[StudyStack]:
    """Return the stacks of the plan's best ways and of the unplanned one, for the scene's depth."""
    near, far = depth_in_view(setup.scene, plan.setting.rig, crop=setup.crop)
    setting = replace(plan.setting, depth_mm=far - near)
    search = search_rehearsal(setting, seed=plan.seed)
    found: dict[str, tuple[Setting, Way]] = {
        "unplanned": (setting, unplanned_way(search.goal, search.times_s)),
        "as advised": (setting, advised_way(search, chance=setting.chance)),
    }
    for name, asked in list(_otherwise(plan, setting))[: _WAYS - len(found)]:
        search = search_rehearsal(asked, seed=plan.seed)
        found[name] = asked, advised_way(search, chance=asked.chance)
    return [
        StudyStack(part="plan", name=name, setting=asked, way=moved(way, near), seed=seed)
        for name, (asked, way) in found.items()
        for seed in seeds
    ]


def run_study(
    stacks: Sequence[StudyStack], setup: StudySetup, *, workers: int = 1, progress: bool = False
) -> pd.DataFrame:
    """Render, merge and score every stack; one row each, also where something failed.

    Parameters
    ----------
    stacks : sequence of StudyStack
    setup : StudySetup
    workers : int
        Processes; the rows are the same for any number.
    progress : bool
        A bar on stderr.
    """
    bar = partial(tqdm, total=len(stacks), desc="study", unit="stack", disable=not progress)
    row_of = partial(run_stack, setup=setup)
    return pd.DataFrame(list(bar(side_by_side(row_of, stacks, workers=workers))))


def run_stack(stack: StudyStack, setup: StudySetup) -> dict[str, Any]:
    """Render, merge and score one stack."""
    rendered = MemoryStack(_joined(stack, setup))
    scored = Judge(rendered).run(setup.method)
    valid = rendered.truth.mask("valid")
    predicted = _predicted(stack, setup)
    return {
        "part": stack.part,
        "name": stack.name,
        "approach": stack.setting.stance.approach.kind,
        "f_number": stack.setting.rig.lens.f_number,
        "passes": stack.way.passes,
        "frames_each": stack.way.frames,
        "step_share": _step_mm(stack) / stack.setting.lane.total_mm,
        "bin": setup.bin,
        "usable_share": float(np.mean([record.usable for record in rendered.shoot.records])),
        "never_share": float(rendered.truth.mask("never-in-focus")[valid].mean()),
        "predicted_never_share": float(np.nanmean(predicted)),
        "predicted_never_spread": float(np.nanstd(predicted)),
        **scored.row,
    }


def _leaned(goal: Goal, light: Light, near: float, far: float, *, step_mm: float) -> Way:
    """Lay a swing of the body at a mean step, half a lane more at either end."""
    near, far = near - goal.lane.far_mm, far + goal.lane.near_mm
    frames = min(ceil((far - near) / step_mm) + 1, _MOST_FRAMES)
    times = frame_times(light, frames, seed=0, scene="plan")
    approach = cover(goal.approach, near_mm=near, far_mm=far, times_s=times)
    return Way(passes=1, frames=frames, approach=approach)


def _otherwise(plan: Plan, setting: Setting) -> Iterator[tuple[str, Setting]]:
    """Give the setting with each of the plan's remedies, the cheapest first."""
    changed = {change.name: change.setting for change in changes(setting)}
    tried = [remedy.name for remedy in plan.remedies if remedy.name in changed]
    yield from ((name, changed[name]) for name in tried)


def _joined(stack: StudyStack, setup: StudySetup) -> JoinedShoots:
    # A plan is a look, and somebody waits for it: fast.
    how = {"crop": setup.crop, "bin": setup.bin, "quality": "fast"}
    return JoinedShoots(
        shoots=shoot_try(stack.way, stack.setting, setup.scene, seed=stack.seed, **how)
    )


def _predicted(stack: StudyStack, setup: StudySetup) -> Doubles:
    """Return the share never in focus that the planner expects, one value a try."""
    limit = blur_limit(2 * NEVER_PX * setup.bin)  # where the truth calls a point in focus
    setting = replace(stack.setting, sharpness=limit)
    rehearsal = setting.rehearse(
        frames=stack.way.frames,
        passes=_PREDICTED_TRIES * stack.way.passes,
        seed=1,
        together=stack.way.passes,
    )
    points = scene_points(setup.scene, setting.rig, crop=setup.crop)
    framing = framing_of(setting.rig, crop=setup.crop)
    return never_sharp_share(rehearsal, stack.way, points, framing=framing)


def _step_mm(stack: StudyStack) -> float:
    """Return the mean intended step from frame to frame."""
    approach, frames = stack.way.approach, stack.way.frames
    if goes_in_steps(approach):
        return approach.step_mm
    times = frame_times(stack.setting.light, frames, seed=0, scene="plan")
    return approach.speed_mm_per_s * float(times[-1]) / max(frames - 1, 1)
