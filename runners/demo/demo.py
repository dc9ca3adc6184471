"""The demonstration: two scenes shot by hand with flash, merged by several methods and scored."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pandas as pd

from ...simulator.rig import load_rig, stopped_to
from ...simulator.scene.scene import load_scene
from ...simulator.shooting.shoot import Shoot, shoot
from ...simulator.stack.stackio import read_stack, write_stack
from ..isolate.external import Program
from ..isolate.run import Method
from ..judge.scoring import score_stack, table
from .contact_sheet import contact_sheet
from .side_by_side import side_by_side

#: Built-in methods of the demonstration, floors first.
METHODS = ("middle-frame", "mean", "laplacian-pyramid", "focus-map", "oracle")
#: Columns of the printed table, with their headings.
COLUMNS = {
    "scene": "scene",
    "method": "method",
    "status": "status",
    "capture.psnr_db": "best possible dB",
    "total.psnr_db": "result dB",
    "merge_loss_db": "lost in the merge dB",
    "total.ssim": "SSIM",
    "total.ciede2000_mean": "colour dE",
    "depth.depth_rmse_mm": "depth error mm",
    "depth.coverage": "depth share",
    "seconds": "s",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One stack of the demonstration."""

    scene: str
    f_number: float
    stance: str
    light: str
    frames: int
    seed: int
    crop: tuple[int, int] = (3072, 2048)
    bin: int = 4


SESSIONS = (
    Session(
        scene="sticky-leaf",
        f_number=11.0,
        stance="braced",
        light="flash-sixteenth",
        frames=9,
        seed=5,
    ),
    Session(
        scene="snail-shell",
        f_number=8.0,
        stance="kneeling",
        light="flash-sixteenth",
        frames=10,
        seed=10,
    ),
)


def plan_session(session: Session) -> Shoot:
    """Return the shoot of a session."""
    scene = load_scene(session.scene)
    return shoot(
        scene,
        stopped_to(load_rig(scene.rig), session.f_number),
        stance=session.stance,
        light=session.light,
        frames=session.frames,
        seed=session.seed,
        crop=session.crop,
        bin=session.bin,
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
    sessions: tuple[Session, ...] = SESSIONS,
    workers: int = 2,
    progress: bool = True,
    say: Callable[[str], None] = print,
) -> int:
    """Render the sessions, run and score the methods, and leave table and pictures.

    Parameters
    ----------
    out : path
        Folder to make; must not exist.
    sessions : tuple of Session
    workers : int
        Processes: sessions run side by side, and what is left over helps to render.
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
    for session in sessions:
        plan = plan_session(session)
        say(f"{session.scene}: {plan.scene.title}; {plan.stance.title}; {plan.light.title}")
    helpers = max(1, workers // len(sessions))
    run = partial(run_session, out=out, workers=helpers, progress=progress)
    tables = list(side_by_side(run, sessions, workers=workers))
    rows = pd.concat(tables, ignore_index=True)
    rows.to_csv(out / "scores.csv", index=False)
    say(printed(rows))
    say(f"pictures and scores.csv are in {out}")
    return 0 if (rows["status"] == "ok").all() else 1


def run_session(session: Session, *, out: Path, workers: int, progress: bool) -> pd.DataFrame:
    """Render one session, run and score the methods, draw its sheet; return the scores."""
    folder = write_stack(
        plan_session(session), out / session.scene, workers=workers, progress=progress
    )
    stack = read_stack(folder)
    methods: list[str | Method] = [*METHODS, outside_program()]
    scored = score_stack(stack, methods, artefacts=False, progress=progress)
    contact_sheet(stack, scored, out / f"{session.scene}.png")
    return table(scored)


def printed(rows: pd.DataFrame) -> str:
    """Return the main columns of a table of scores as text."""
    short = rows.reindex(columns=list(COLUMNS)).rename(columns=COLUMNS)
    return short.to_string(index=False, float_format=lambda value: f"{value:.2f}", na_rep="-")
