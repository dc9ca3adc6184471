"""The demonstration: two scenes shot by hand with flash, merged by several methods and scored."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from tqdm import tqdm

from ...simulator.loading.scenes import load_scene
from ...simulator.processes import end_in_good_order, processes
from ...simulator.rig import load_rig, stopped_to
from ...simulator.shooting.shoot import Shoot, shoot
from ...simulator.stack.stackio import read_stack
from ...simulator.stack.stackwrite import write_stacks
from ...simulator.steps import Step, carry_out
from ..csv_text import write_rows
from ..isolate.external import Program
from ..isolate.run import Method
from ..judge.printed import MAIN_COLUMNS, as_text
from ..judge.scoring import Judge, Scored, score_stack, table

if TYPE_CHECKING:
    import pandas as pd

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
    workers: int = 1,
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
        Processes. They render tiles of all stacks, then run and score methods, several on each
        stack if there are more processes than stacks; what comes out is the same for any number,
        but for measured times.
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
    plans = {out / stack.scene: shoot_of(stack) for stack in stacks}
    for shot in plans.values():
        say(f"{shot.scene.name}: {shot.scene.title}; {shot.stance.title}; {shot.light.title}")
    with processes(workers, start=end_in_good_order) if workers > 1 else nullcontext() as pool:
        write_stacks(plans, pool=pool, workers=workers, progress=progress)
        rows = _scores(list(plans), pool, workers, progress)
    write_rows(out / "scores.csv", rows)
    say(as_text(rows, {"scene": "scene", **MAIN_COLUMNS, "seconds": "s"}, digits=2))
    say(f"pictures and scores.csv are in {out}")
    return 0 if (rows["status"] == "ok").all() else 1


def _scores(
    folders: Sequence[Path], pool: ProcessPoolExecutor | None, workers: int, progress: bool
) -> pd.DataFrame:
    """Run and score the methods on all stacks, and draw their sheets."""
    import pandas as pd  # noqa: PLC0415 - slow to load, and the stacks are rendered first

    steps = list(_scoring(folders, parts=-(-workers // len(folders))))
    sheets = {}
    with tqdm(total=len(steps), desc="score", unit="step", disable=not progress) as bar:
        for step, made in carry_out(steps, pool=pool, at_once=workers + 1):
            if step.name in folders:
                sheets[step.name] = made
            bar.update()
    return pd.concat([sheets[folder] for folder in folders], ignore_index=True)


def _scoring(folders: Sequence[Path], *, parts: int) -> Iterator[Step]:
    """Yield the steps: of each stack what all scores take, parts of the methods, and the sheet."""
    methods: list[str | Method] = [*METHODS, outside_program()]
    shares = [methods[first::parts] for first in range(min(parts, len(methods)))]
    names = [name_of(method) for method in methods]
    for folder in folders:
        yield Step(name=(folder, "judge"), do=partial(judge_of, folder))
        own = [(folder, number) for number in range(len(shares))]
        for name, share in zip(own, shares, strict=True):
            yield Step(name=name, do=partial(scored_by, share), after=((folder, "judge"),))
        yield Step(name=folder, do=partial(sheet_of, folder, names), after=tuple(own))


def name_of(method: str | Method) -> str:
    """Return what a method is called in the table."""
    return method if isinstance(method, str) else method.name


def judge_of(folder: Path) -> Judge:
    """Return the judge of a stack with what it finds once for all methods."""
    judge = Judge(read_stack(folder), artefacts=False)
    _ = judge.limits()
    return judge


def scored_by(methods: Sequence[str | Method], judge: Judge) -> list[Scored]:
    """Run and score methods on a stack."""
    return score_stack(judge, methods)


def sheet_of(folder: Path, methods: Sequence[str], *parts: list[Scored]) -> pd.DataFrame:
    """Draw the sheet of a stack beside it; return the scores in the order of the methods."""
    from .contact_sheet import contact_sheet  # noqa: PLC0415 - slow to load, for those that draw

    found = {item.row["method"]: item for part in parts for item in part}
    scored = [found[name] for name in methods]
    contact_sheet(read_stack(folder, verify=False), scored, folder.with_name(f"{folder.name}.png"))
    return table(scored)
