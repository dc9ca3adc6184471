"""The failure atlas: for each artefact its cause in the frames, the merge, and the error.

Each case is a small stack that is shot, merged and judged anew by every build of the book; the
scores beside the pictures are those of these very merges.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

import stacktruth
from stacktruth.ground.srgb import clipped_srgb, luma
from stacktruth.ground.types import Floats
from stacktruth.runners.contract import Outcome
from stacktruth.runners.judge.memory_stack import MemoryStack
from stacktruth.runners.judge.scoring import Judge, Scored
from stacktruth.runners.methods import built_in
from stacktruth.runners.methods.picture.tone import to_float
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.handling.hands import Stance
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.handling.sway import Subject, Wind

from . import words

SCENES = Path(__file__).with_name("atlas")
_STILL: Mapping[str, Any] = {
    "stance": Stance(name="support"),
    "light": "flash-128th",
    "crop": (1024, 768),
    "bin": 4,
    "noise": False,
    "quality": "fast",
}


@dataclass(frozen=True, kw_only=True)
class Case:
    """One artefact and the stack that shows it.

    Parameters
    ----------
    options : mapping
        Of `stacktruth.shoot`, beside those that all cases share.
    frames : mapping of int to str
        The two frames that show the cause, and what is to be seen in each.
    method : str
        What fails; a built-in method.
    remedy : str
        What does better, as the table calls it.
    better : str
        A built-in method that does better; empty for the same one.
    otherwise : mapping
        Options of the shoot that do better; empty for the same frames.
    columns : tuple of str
        What reports it, by the columns of a row.
    part : (top, bottom, left, right)
        Of the picture that is shown, pixels.
    limit : float
        Error (encoded luma) at the ends of the scale of colours.
    """

    options: Mapping[str, Any]
    frames: Mapping[int, str]
    method: str = "laplacian-pyramid"
    remedy: str
    better: str = ""
    otherwise: Mapping[str, Any] = field(default_factory=dict)
    columns: tuple[str, ...]
    part: tuple[int, int, int, int] = (10, 182, 10, 246)
    limit: float = 0.25


def _stepped(start_mm: float, step_mm: float) -> Approach:
    return Approach(kind="stepped", start_mm=start_mm, step_mm=step_mm)


def _cases() -> dict[str, Case]:
    """Return the cases by the name of their scene."""
    daylight = replace(load_light("ambient-burst"), exposure_s=0.05)
    drifting = Stance(name="drifting", sway_mm=(2.5, 0, 0), sway_hz=0.6)
    swaying = Stance(name="swaying", sway_mm=(1.2, 0, 0), sway_hz=0.3)
    breeze = Subject(name="feeler", wind=Wind(rms_mm=(0.4, 0, 0), natural_hz=(1.5, 1.8)))
    return {
        "halo": Case(
            options={"frames": 3, "approach": _stepped(0, 1.0)},
            frames={0: "focus on the stalk", 2: "focus on the bark: the stalk's light spills"},
            remedy="true choice (oracle)",
            better="oracle",
            columns=("artefacts.halo_overshoot", "artefacts.halo_width_px", "total.psnr_db"),
        ),
        "ghost": Case(
            options={
                "frames": 3,
                "approach": _stepped(0, 0.15),
                "reference": 1,
                "subject": breeze,
                "seed": 10,
            },
            frames={0: "first frame", 1: "a tenth of a second later"},
            remedy="seams where they are not seen (seam-labels)",
            better="seam-labels",
            columns=("artefacts.ghost", "total.psnr_db"),
        ),
        "see-through": Case(
            options={"frames": 4, "approach": _stepped(0, 0.5)},
            frames={0: "focus on the petal", 3: "focus behind: its rim is a veil"},
            remedy="true choice (oracle)",
            better="oracle",
            columns=("artefacts.see_through", "total.psnr_db"),
        ),
        "smear": Case(
            options={
                "frames": 3,
                "approach": _stepped(0, 0.3),
                "light": daylight,
                "stance": drifting,
                "seed": 4,
            },
            frames={1: "hardly moved during 1/20 s", 2: "drifted during 1/20 s"},
            remedy="the same pass by a short flash",
            otherwise={"light": "flash-128th"},
            columns=("artefacts.smear", "total.psnr_db"),
            limit=0.4,
        ),
        "invented": Case(
            options={"frames": 9, "approach": _stepped(-0.6, 0.15), "iso": 51200.0, "noise": True},
            frames={0: "one frame at ISO 51200", 4: "another: the grain is elsewhere"},
            remedy="one frame at each place (focus-map)",
            better="focus-map",
            columns=("artefacts.invented_detail", "total.psnr_db"),
            part=(70, 166, 20, 150),
            limit=0.12,
        ),
        "ruling": Case(
            options={"frames": 4, "approach": _stepped(-0.45, 0.3), "stance": swaying, "seed": 3},
            frames={0: "first frame", 2: "a ruling and some farther left"},
            remedy="true alignment (laplacian-pyramid+true-warp)",
            better="laplacian-pyramid+true-warp",
            columns=("residual_px", "total.psnr_db"),
        ),
    }


def write(folder: Path) -> dict[str, str]:
    """Draw each case to a folder, and return the tables of their scores, by the page's name."""
    tables = {}
    for name, case in _cases().items():
        scene, rig = stacktruth.load_scene(SCENES / f"{name}.toml"), stacktruth.load_rig("field-2x")
        judge = _judge(scene, rig, case.options)
        failed = _merged(judge, case.method)
        other = _judge(scene, rig, {**case.options, **case.otherwise}) if case.otherwise else judge
        helped = _merged(other, case.better or case.method)
        _draw(case, judge, failed, folder / f"atlas-{name}.png")
        tables[f"atlas-{name}"] = words.table(
            ["column", f"as shown ({case.method})", case.remedy],
            [[f"`{one}`", *(f"{row[one]:.3g}" for row in (failed.row, helped.row))]
             for one in case.columns],
        )  # fmt: skip
    return tables


def _judge(scene: Any, rig: Any, options: Mapping[str, Any]) -> Judge:
    return Judge(MemoryStack(stacktruth.shoot(scene, rig, **{**_STILL, **options})))


def _merged(judge: Judge, method: str) -> Scored:
    """Return what a built-in method makes of a stack, in this process, and its scores."""
    stack = judge.stack
    result = built_in(method, truth=judge.view().given)(stack.frames, stack.info)
    return judge.score(Outcome(status="ok", result=result), name=method)


def _draw(case: Case, judge: Judge, failed: Scored, path: Path) -> None:
    """Draw two frames above, the merge and its error below."""
    top, bottom, left, right = case.part
    shown = np.s_[top:bottom, left:right]
    wanted = clipped_srgb(judge.truth().achievable)
    figure, axes = plt.subplots(2, 2, figsize=(7.2, 5.6), layout="constrained")
    for axis, (number, told) in zip(axes[0], case.frames.items(), strict=True):
        _show(axis, to_float(judge.stack.frames[number], linear=False)[shown], told)
    _show(axes[1, 0], np.clip(failed.image, 0, 1)[shown], f"merged by {case.method}")
    error = luma(failed.image) - luma(wanted)
    axes[1, 1].imshow(error[shown], cmap="RdBu_r", vmin=-case.limit, vmax=case.limit)
    axes[1, 1].set_title("its error: red too bright, blue too dark", fontsize=10)
    for axis in axes.flat:
        axis.axis("off")
    figure.savefig(path, dpi=110)
    plt.close(figure)


def _show(axes: Any, picture: Floats, told: str) -> None:
    axes.imshow(picture)
    axes.set_title(told, fontsize=10)
