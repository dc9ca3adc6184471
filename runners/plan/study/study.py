"""The rendered study: what step, hands and plan do to a merged picture of a scene."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import Any, cast

import numpy as np
import pandas as pd
from tqdm import tqdm

from ....simulator.handling.approach import cover
from ....simulator.handling.flash import frame_times
from ....simulator.handling.hands import load_stance
from ....simulator.processes import processes
from ....simulator.rig import Rig
from ....simulator.scene.scene import Scene, load_scene
from ....simulator.shooting.shoot import Shoot, shoot
from ....simulator.shooting.truth import NEVER_PX
from ....simulator.stack.stackio import Stack
from ....simulator.streams import stream
from ...isolate.run import find_method, run_method
from ...judge.scoring import Judge
from ...judge.session import MemoryStack, Session
from ...judge.true_stages import StackTruth
from ..advise.advice import Plan, best_effort, naive_way, search_passes
from ..advise.gains import changes
from ..advise.search import fewest
from ..draw.forecast import Way
from ..draw.passes import draw_passes
from ..draw.setting import Setting
from ..draw.sharpness import blur_limit
from .picture import never_sharp_share, scene_points

#: Steps of the study over the depth of field.
STEP_SHARES = (0.3, 0.6, 0.9, 1.3, 1.9, 2.8)
#: Reference method: laid out in the literature, fast, and hard to break.
METHOD = "laplacian-pyramid"
#: Middle of the sensor that is rendered, in its own pixels.
CROP = (1536, 1024)
#: Pixels of the pictures across the wanted blur disc: what is sharper does not show.
_PIXELS_PER_BLUR = 3.0
#: Share of the picture's points beyond its wanted depth at either end.
_ENDS = 0.02
_PREDICTED_PASSES = 400
_MOST_FRAMES = 120
#: The unplanned way and the plan's three best.
_WAYS = 4


@dataclass(frozen=True, kw_only=True)
class Cell:
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
class Bench:
    """What all cells of a study share.

    Parameters
    ----------
    scene : Scene
    method : str
        As `runners.run.find_method` takes it.
    crop : (width, height)
        Middle of the sensor, in its own pixels.
    bin : int
        Pixels merged into one, per side.
    """

    scene: Scene
    method: str = METHOD
    crop: tuple[int, int] = CROP
    bin: int = 1


@dataclass(frozen=True, kw_only=True, eq=False)
class Study:
    """A finished study.

    Parameters
    ----------
    bench : Bench
    rows : DataFrame
        As `run_study` returns them.
    """

    bench: Bench
    rows: pd.DataFrame


def bench_for(
    setting: Setting,
    scene: str | Scene,
    *,
    method: str = METHOD,
    crop: tuple[int, int] = CROP,
) -> Bench:
    """Return a bench whose pictures are as fine as the wanted sharpness asks for, not finer."""
    find_method(method)  # complains now, not after the first stack
    scene = load_scene(scene) if isinstance(scene, str) else scene
    sensor = setting.rig.sensor
    crop = min(crop[0], sensor.width_px), min(crop[1], sensor.height_px)
    merge = max(1, int(setting.sharpness.blur_px / _PIXELS_PER_BLUR))
    return Bench(scene=scene, method=method, crop=crop, bin=min(merge, *crop))


def depth_in_view(
    scene: Scene, rig: Rig, *, crop: tuple[int, int] | None = CROP
) -> tuple[float, float]:
    """Return the depth of the scene that the picture shows, near and far, mm."""
    points = scene_points(scene, rig, crop=crop, margin=0.0)
    near, far = np.quantile(points.z_mm, [_ENDS, 1 - _ENDS])
    return float(near), float(far)


def step_cells(
    setting: Setting,
    bench: Bench,
    *,
    shares: Sequence[float] = STEP_SHARES,
    seeds: Iterable[int] = range(3),
) -> list[Cell]:
    """Return the cells of the study over the step: on a support, and in the setting's own hands.

    On a support each seed starts at another place within a step.
    """
    near, far = depth_in_view(bench.scene, setting.rig, crop=bench.crop)
    support = replace(setting, stance=load_stance("stepped"))
    cells: list[Cell] = []
    for share in shares:
        step_mm = share * setting.lane.total_mm
        for seed in seeds:
            late = float(stream(seed, bench.scene.name, "study-phase").uniform())
            frames = ceil((far - near) / step_mm + late) + 1
            stepped = replace(
                support.stance.approach, start_mm=near - late * step_mm, step_mm=step_mm
            )
            ways = [("on a support", support, Way(passes=1, frames=frames, approach=stepped))]
            if setting.handheld:
                ways.append(("handheld", setting, _leaned(setting, near, far, step_mm)))
            cells += [
                Cell(part="step", name=name, setting=asked, way=way, seed=seed)
                for name, asked, way in ways
            ]
    # Two coarse steps may come to the same few frames; one of them is enough.
    return list({(cell.name, cell.way, cell.seed): cell for cell in cells}.values())


def plan_cells(plan: Plan, bench: Bench, *, seeds: Iterable[int] = range(3)) -> list[Cell]:
    """Return the cells of the plan's best ways and of the unplanned one, for the scene's depth."""
    near, far = depth_in_view(bench.scene, plan.setting.rig, crop=bench.crop)
    setting = replace(plan.setting, depth_mm=far - near)
    drawn = search_passes(setting, seed=plan.seed)
    ways: dict[str, tuple[Setting, Way]] = {
        "unplanned": (setting, naive_way(setting, drawn)),
        "as advised": _best(setting, plan.seed),
    }
    for row in plan.apertures:
        if row.advised and row.f_number != setting.rig.lens.f_number:
            ways[f"at f/{row.f_number:g}"] = _best(setting.at_f_number(row.f_number), plan.seed)
    changed = {name: asked for name, _, asked in changes(setting)}
    for gain in [gain for gain in plan.gains if gain.name in changed][:2]:
        ways[gain.name] = _best(changed[gain.name], plan.seed)
    return [
        Cell(part="plan", name=name, setting=asked, way=_moved(way, near), seed=seed)
        for name, (asked, way) in list(ways.items())[:_WAYS]
        for seed in seeds
    ]


def run_study(
    cells: Sequence[Cell], bench: Bench, *, workers: int = 1, progress: bool = False
) -> pd.DataFrame:
    """Render, merge and score every cell; one row each, also where something failed.

    Parameters
    ----------
    cells : sequence of Cell
    bench : Bench
    workers : int
        Processes; the rows are the same for any number.
    progress : bool
        A bar on stderr.
    """
    bar = tqdm(total=len(cells), desc="study", unit="stack", disable=not progress)
    run: Callable[..., Iterable[dict[str, Any]]] = map
    with bar:
        if workers == 1:
            return pd.DataFrame(_counted(run(run_cell, cells, [bench] * len(cells)), bar))
        with processes(workers) as pool:
            run = pool.map
            return pd.DataFrame(_counted(run(run_cell, cells, [bench] * len(cells)), bar))


def run_cell(cell: Cell, bench: Bench) -> dict[str, Any]:
    """Render, merge and score one cell."""
    stack = MemoryStack(_session(cell, bench))
    method = find_method(bench.method)
    outcome = run_method(
        method,
        stack.frames,
        stack.info,
        truth=StackTruth(cast(Shoot, stack.plan), stack.truth, stack.frames),
    )
    scored = Judge(cast(Stack, stack)).score(
        outcome, name=method.name, kind=method.kind, version=method.version
    )
    valid = stack.truth.mask("valid")
    predicted = _predicted(cell, bench)
    return {
        "part": cell.part,
        "name": cell.name,
        "approach": cell.setting.stance.approach.kind,
        "f_number": cell.setting.rig.lens.f_number,
        "passes": cell.way.passes,
        "frames_each": cell.way.frames,
        "step_share": _step_mm(cell) / cell.setting.lane.total_mm,
        "bin": bench.bin,
        "usable_share": float(np.mean([record.usable for record in stack.plan.records])),
        "never_share": float(stack.truth.mask("never-in-focus")[valid].mean()),
        "predicted_never_share": float(np.nanmean(predicted)),
        "predicted_never_spread": float(np.nanstd(predicted)),
        **scored.row,
    }


def _leaned(setting: Setting, near: float, far: float, step_mm: float) -> Way:
    """Lay a swing of the body at a mean step, from half a lane before to half a lane behind."""
    near, far = near - setting.lane.far_mm, far + setting.lane.near_mm
    frames = min(ceil((far - near) / step_mm) + 1, _MOST_FRAMES)
    times = frame_times(setting.light, frames, seed=0, scene="plan")
    approach = cover(setting.stance.approach, near_mm=near, far_mm=far, times_s=times)
    return Way(passes=1, frames=frames, approach=approach)


def _best(setting: Setting, seed: int) -> tuple[Setting, Way]:
    """Return a setting with the way that a plan would advise for it."""
    drawn = search_passes(setting, seed=seed)
    way = fewest(setting, drawn, chance=setting.chance)
    return setting, way or best_effort(setting, drawn)


def _moved(way: Way, near_mm: float) -> Way:
    """Return a way laid from the nearest point on, laid in the scene."""
    start = way.approach.start_mm + near_mm
    return replace(way, approach=replace(way.approach, start_mm=start))


def _session(cell: Cell, bench: Bench) -> Session:
    asked = cell.setting
    return Session(
        shoots=tuple(
            shoot(
                bench.scene,
                asked.rig,
                stance=asked.stance,
                light=asked.light,
                subject=asked.subject,
                approach=cell.way.approach,
                frames=cell.way.frames,
                seed=1000 * cell.seed + number,
                crop=bench.crop,
                bin=bench.bin,
            )
            for number in range(cell.way.passes)
        )
    )


def _predicted(cell: Cell, bench: Bench) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return the share never in focus that the planner expects, one value a try."""
    limit = blur_limit(2 * NEVER_PX * bench.bin)
    setting = replace(cell.setting, sharpness=limit)
    drawn = draw_passes(
        setting.conditions,
        frames=cell.way.frames,
        passes=_PREDICTED_PASSES * cell.way.passes,
        seed=1,
    )
    points = scene_points(bench.scene, setting.rig, crop=bench.crop)
    return never_sharp_share(setting, drawn, cell.way, points, crop=bench.crop)


def _step_mm(cell: Cell) -> float:
    approach, frames = cell.way.approach, cell.way.frames
    if cell.setting.regular:
        return approach.step_mm
    times = frame_times(cell.setting.light, frames, seed=0, scene="plan")
    return approach.speed_mm_per_s * float(times[-1]) / max(frames - 1, 1)


def _counted(rows: Iterable[dict[str, Any]], bar: Any) -> Iterable[dict[str, Any]]:
    for row in rows:
        bar.update()
        yield row
