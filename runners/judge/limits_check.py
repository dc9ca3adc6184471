"""Whether honest methods stay below the limits: over many small stacks, no result far above one.

``python results/remake.py limits`` runs it and keeps table and figure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from tqdm import tqdm

from ...simulator.data import list_data_files
from ...simulator.handling.approach import Approach
from ...simulator.loading.scenes import load_scene
from ...simulator.rig import load_rig
from ...simulator.shooting.shoot import Shoot, shoot
from ...simulator.steps import side_by_side
from .memory_stack import MemoryStack
from .scoring import Judge

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

#: What averages most, what keeps all contrast, what chooses (the better for true alignment), one
#: frame alone; and what chooses by the truth.
HONEST = (
    "mean+true-warp",
    "contrast-weighted",
    "laplacian-pyramid",
    "focus-map",
    "focus-map+true-warp",
    "sharpest-frame",
    "oracle",
)
#: Width and height of the pictures, px.
SIZE = (160, 112)
_FRAMES = 6
_COLUMNS = (
    "method", "status", "reason", "total.psnr_db", "capture.psnr_db", "selection.psnr_db",
    "capture.margin_db", "selection.margin_db", "above_limit",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class SmallSetting:
    """How a small stack is shot.

    Parameters
    ----------
    stance : str
    bin : int
        Real pixels merged into one, per side.
    iso : float
    """

    stance: str
    bin: int
    iso: float


#: From real pixels on a stepped pass, where neighbouring frames are both sharp, to noise by hand.
SETTINGS = (
    SmallSetting(stance="stepped", bin=1, iso=100),
    SmallSetting(stance="braced", bin=2, iso=100),
    SmallSetting(stance="stepped", bin=4, iso=3200),
    SmallSetting(stance="kneeling", bin=4, iso=800),
    SmallSetting(stance="stepped", bin=2, iso=400),
)


def small_stacks(count: int) -> Iterator[tuple[SmallSetting, Shoot]]:
    """Yield small stacks of the shipped scenes in turn, each time in another setting."""
    scenes = list_data_files("scene")
    for number in range(count):
        turn, which = divmod(number, len(scenes))
        setting = SETTINGS[(turn + which) % len(SETTINGS)]
        yield setting, _planned(scenes[which], setting, seed=turn)


def _planned(name: str, setting: SmallSetting, *, seed: int) -> Shoot:
    """Plan a pass through all of a scene's depth, or through a part of it at real pixels."""
    scene = load_scene(name)
    near, far = scene.depth_mm
    if setting.bin == 1:  # steps that leave no gap, about a depth that changes with the seed
        middle = near + (far - near) * ((0.37 * seed + 0.5) % 1.0)
        near, far = middle - 0.35, middle + 0.35
    step = (far - near) / (_FRAMES - 1)
    return shoot(
        scene,
        load_rig(scene.rig),
        stance=setting.stance,
        light="flash-sixteenth",
        approach=Approach(kind="stepped", start_mm=near, step_mm=step),
        frames=_FRAMES,
        seed=seed,
        crop=(SIZE[0] * setting.bin, SIZE[1] * setting.bin),
        bin=setting.bin,
        iso=setting.iso,
    )


def check_limits(
    stacks: Sequence[tuple[SmallSetting, Shoot]],
    methods: Sequence[str] = HONEST,
    *,
    workers: int = 1,
    progress: bool = False,
) -> pd.DataFrame:
    """Score honest methods on stacks; return their results beside the limits and margins.

    Parameters
    ----------
    stacks : sequence of (SmallSetting, Shoot)
    methods : sequence of str
        Built-in.
    workers : int
        Processes; their number changes no row.
    progress : bool
        Whether to draw a progress bar on stderr.
    """
    import pandas as pd  # noqa: PLC0415 - slow to load, and workers make no table

    check = partial(check_stack, methods=methods)
    bar = partial(tqdm, total=len(stacks), desc="limits", unit="stack", disable=not progress)
    found = list(bar(side_by_side(check, stacks, workers=workers)))
    return pd.DataFrame([row for rows in found for row in rows])


def check_stack(
    stack: tuple[SmallSetting, Shoot], methods: Sequence[str] = HONEST
) -> list[dict[str, Any]]:
    """Score methods on one stack; return a row for each."""
    setting, plan = stack
    judge = Judge(MemoryStack(plan), artefacts=False)
    shot = {
        "scene": plan.scene.name,
        "stance": setting.stance,
        "bin": setting.bin,
        "iso": setting.iso,
        "seed": plan.seed,
    }
    scored = (judge.run(method).row for method in methods)
    return [shot | {name: row.get(name) for name in _COLUMNS} for row in scored]


def above_db(rows: pd.DataFrame, limit: str) -> pd.Series:
    """Return by how much each result lies above a limit; negative below it."""
    return rows["total.psnr_db"] - rows[f"{limit}.psnr_db"]


def limits_figure(rows: pd.DataFrame) -> Figure:
    """Plot each result against both limits, and the margin that each was allowed."""
    from matplotlib.figure import Figure  # noqa: PLC0415 - slow to load

    figure = Figure(figsize=(11, 5.2), layout="constrained")
    done = rows[rows["status"] == "ok"]
    methods = list(dict.fromkeys(done["method"]))
    for axes, limit in zip(
        figure.subplots(1, 2, sharey=True), ("capture", "selection"), strict=True
    ):
        for place, method in enumerate(methods):
            own = done[done["method"] == method]
            height = place + np.linspace(-0.3, 0.3, len(own))
            axes.plot(above_db(own, limit), height, ".", markersize=3)
            axes.plot(own[f"{limit}.margin_db"], height, "k|", markersize=3)
        axes.axvline(0, color="k", linewidth=0.8)
        axes.set(
            xlabel=f"result above the {limit} limit, dB (black: the margin)", xlim=(-25, 11),
            yticks=range(len(methods)), yticklabels=methods,
        )  # fmt: skip
        axes.grid(axis="x", alpha=0.3)
    return figure
