"""The demonstration: two scenes shot by hand with flash, merged by several methods and scored."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from tqdm import tqdm

from ...simulator.rig import load_rig, stopped_to
from ...simulator.scene.scene import load_scene
from ...simulator.shooting.shoot import Shoot, shoot
from ...simulator.stack.stackio import read_stack, write_stack
from ..csv_text import write_rows
from ..isolate.external import Program
from ..isolate.run import Method
from ..judge.printed import MAIN_COLUMNS, as_text
from ..judge.scoring import score_stack, table
from .contact_sheet import contact_sheet
from .side_by_side import side_by_side

#: Built-in methods of the demonstration, floors first.
METHODS = ("middle-frame", "mean", "laplacian-pyramid", "focus-map", "oracle")


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoStack:
    """One stack of the demonstration."""

    scene: str
    f_number: float
    stance: str
    light: str
    frames: int
    seed: int
    crop: tuple[int, int] = (3072, 2048)
    bin: int = 4


STACKS = (
    DemoStack(
        scene="sticky-leaf",
        f_number=11.0,
        stance="braced",
        light="flash-sixteenth",
        frames=9,
        seed=5,
    ),
    DemoStack(
        scene="snail-shell",
        f_number=8.0,
        stance="kneeling",
        light="flash-sixteenth",
        frames=10,
        seed=10,
    ),
)


def shoot_of(stack: DemoStack) -> Shoot:
    """Return the shoot that a stack of the demonstration comes from."""
    scene = load_scene(stack.scene)
    return shoot(
        scene,
        stopped_to(load_rig(scene.rig), stack.f_number),
        stance=stack.stance,
        light=stack.light,
        frames=stack.frames,
        seed=stack.seed,
        crop=stack.crop,
        bin=stack.bin,
    )


def outside_program() -> Method:
    """Return the example program as a method: any command line could stand here."""
    script = Path(__file__).parents[1] / "examples" / "outside_program.py"
    command = (sys.executable, str(script), "{output}", "{frames}")
    program = Program(name="outside-program", command=command, time_limit_s=60.0)
    return Method(program.name, "program", program.name, program)


def run_demo(
    out: str | Path,
    *,
    stacks: tuple[DemoStack, ...] = STACKS,
    workers: int = 2,
    progress: bool = True,
    say: Callable[[str], None] = print,
) -> int:
    """Render the stacks, run and score the methods, and leave table and pictures.

    Parameters
    ----------
    out : path
        Folder to make; must not exist.
    stacks : tuple of DemoStack
    workers : int
        Processes: one stack is rendered after the other by all of them, then stacks are scored
        side by side.
    progress : bool
        Whether to draw progress bars on stderr.
    say : callable
        Takes the lines for the user.

    Returns
    -------
    int
        0 if every method gave a result, else 1.

    Raises
    ------
    FileExistsError
        When ``out`` exists; nothing is written.
    """
    out = Path(out)
    out.mkdir(parents=True)
    folders = []
    for stack in stacks:
        shot = shoot_of(stack)
        say(f"{stack.scene}: {shot.scene.title}; {shot.stance.title}; {shot.light.title}")
        folder = write_stack(shot, out / stack.scene, workers=workers, progress=progress)
        folders.append(folder)
    scored = side_by_side(score_folder, folders, workers=workers)
    bar = tqdm(scored, total=len(folders), desc="score", unit="stack", disable=not progress)
    rows = pd.concat(list(bar), ignore_index=True)
    write_rows(out / "scores.csv", rows)
    say(as_text(rows, {"scene": "scene", **MAIN_COLUMNS, "seconds": "s"}, digits=2))
    say(f"pictures and scores.csv are in {out}")
    return 0 if (rows["status"] == "ok").all() else 1


def score_folder(folder: Path) -> pd.DataFrame:
    """Run and score the methods on a stack, draw its sheet beside it; return the scores."""
    stack = read_stack(folder)
    methods: list[str | Method] = [*METHODS, outside_program()]
    scored = score_stack(stack, methods, artefacts=False)
    contact_sheet(stack, scored, folder.with_name(f"{folder.name}.png"))
    return table(scored)
