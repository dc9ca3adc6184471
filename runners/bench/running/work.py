"""The work on one stack of a benchmark: render it once, then run and score what is missing."""

from __future__ import annotations

import math
import shutil
import socket
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import numpy as np

from ....ground.atomic import write_whole
from ....ground.checksum import sha256
from ....ground.pictures import encode_image, encode_map
from ....simulator.stack.manifest import StackError, versions
from ....simulator.stack.stackio import Stack, read_stack
from ....simulator.stack.stackwrite import write_stack
from ....simulator.steps import side_by_side
from ...contract import Outcome
from ...isolate.workplace import FROM_OUTSIDE
from ...judge.scoring import Judge, Scored, without_result
from ..grid.cells import Cell, StackSpec, by_stack, cells_of
from ..grid.suite import SUITE, Suite, suite_in
from .missing import left_of
from .store import DoneCell, Store

#: Columns that differ from run to run; they have a table of their own.
TIME_COLUMNS = ("seconds", "peak_mb", "time_is_comparable")


@dataclass(frozen=True, kw_only=True)
class Task:
    """What is to be done on one stack, in names alone.

    So a task is small wherever it is sent. The worker reads the suite in the folder and renders
    the stack from its seeds.

    Parameters
    ----------
    folder : str
        Absolute path of the benchmark's folder: it holds the suite, and takes the rows.
    stack : str
        Key of the stack.
    cells : tuple of str
        Keys of all cells on it.
    only : str or None
        Key of the one cell that is wanted; None does what is missing.
    alone : bool
        Whether nothing else runs beside, so that times may be compared.
    keep_frames : bool
        Whether the stack stays when its cells are done.
    workers : int
        Processes that render the stack and do its cells; the rows are the same for any number.
    versions : tuple of (name, version)
        With which the task was made; others would make other numbers.
    """

    folder: str
    stack: str
    cells: tuple[str, ...]
    only: str | None = None
    alone: bool = False
    keep_frames: bool = False
    workers: int = 1
    versions: tuple[tuple[str, str], ...] = ()


def do(task: Task) -> None:
    """Do what is missing of a stack, and keep each cell when it is done.

    Raises
    ------
    RuntimeError
        The code, a library or a file of the suite is not what the task was made with.
    """
    for _ in cells_done(task, *_asked(task)):
        pass


def cells_done(task: Task, store: Store, suite: Suite, cells: Sequence[Cell]) -> Iterator[str]:
    """Do what is missing of a stack, and yield the key of each cell when it is kept.

    Parameters
    ----------
    task : Task
    store : Store
    suite : Suite
    cells : sequence of Cell
        All on the stack.
    """
    with store.stack_locked(task.stack):
        left = left_of({cell: store.done(cell.key) for cell in cells}, only=task.only)
        if not left:
            return
        stack = _rendered(store, cells[0].stack, workers=task.workers)
        found: Iterator[Scored]
        if task.workers == 1:
            judge = Judge(stack, hidden=(store.path,))
            found = map(partial(_scored, judge=judge, suite=suite), left)
        else:
            score = partial(_scored_apart, stack=stack.path, hidden=store.path, suite=suite)
            found = side_by_side(score, left, workers=task.workers)
        for cell, scored in zip(left, found, strict=True):
            _keep(store, suite, cell, scored, alone=task.alone)
            yield cell.key
        if not task.keep_frames:
            shutil.rmtree(_stack_folder(store, cells[0].stack))


def _scored(cell: Cell, *, judge: Judge, suite: Suite) -> Scored:
    """Run the method of a cell within the suite's limits, and score it."""
    return judge.run(
        cell.method, time_limit_s=suite.time_limit_s, memory_limit_mb=suite.memory_limit_mb
    )


def _scored_apart(cell: Cell, *, stack: Path, hidden: Path, suite: Suite) -> Scored:
    """Do the same in one of several processes, each of which has a judge of its own."""
    return _scored(cell, judge=_judge(stack, hidden), suite=suite)


@lru_cache(maxsize=1)
def _judge(stack: Path, hidden: Path) -> Judge:
    return Judge(read_stack(stack, verify=False), hidden=(hidden,))


def give_up(task: Task, reason: str) -> None:
    """Give each cell of a stack that is still missing a row that says why."""
    store, suite, cells = _asked(task)
    with store.stack_locked(task.stack):
        outcome = Outcome(status="killed", reason=f"{FROM_OUTSIDE}: {reason}", from_outside=True)
        for cell in left_of({cell: store.done(cell.key) for cell in cells}, only=task.only):
            method = cell.method
            scored = without_result(
                cell.stack.shoot,
                outcome,
                name=method.name,
                kind=method.kind,
                version=method.version,
            )
            _keep(store, suite, cell, scored, alone=task.alone)


def _asked(task: Task) -> tuple[Store, Suite, Sequence[Cell]]:
    """Return store, suite and cells of a task; refuse it where code or files differ."""
    here = versions()
    others = [
        f"{name} {here.get(name)} for {version}"
        for name, version in task.versions
        if here.get(name) != version
    ]
    store = Store(Path(task.folder))
    suite, stacks = _suite_and_stacks(store.path, (store.path / SUITE).read_bytes())
    cells = stacks.get(task.stack, ())
    if tuple(cell.key for cell in cells) != task.cells:
        others.append(f"the code or a file of {suite.name}")
    if others:
        raise RuntimeError(
            f"{socket.gethostname()} has not what the run was started with: {', '.join(others)}"
        )
    return store, suite, cells


@lru_cache(maxsize=2)
def _suite_and_stacks(folder: Path, held: bytes) -> tuple[Suite, dict[str, tuple[Cell, ...]]]:
    """Return the suite in a folder and its cells by their stack, with their keys worked out.

    Kept for the life of the process, as is its code: what changes on disk meanwhile does not
    affect it.
    """
    suite = suite_in(folder)
    return suite, by_stack(cells_of(suite))


def _stack_folder(store: Store, spec: StackSpec) -> Path:
    return store.stacks / spec.key


def _rendered(store: Store, spec: StackSpec, *, workers: int) -> Stack:
    """Return the rendered stack; one that is damaged is rendered again."""
    path = _stack_folder(store, spec)
    for left in store.stacks.glob(f".{spec.key}-*"):  # of a benchmark that was ended
        shutil.rmtree(left, ignore_errors=True)
    if path.exists():
        try:
            return read_stack(path)
        except StackError:
            shutil.rmtree(path)
    write_stack(spec.shoot, path, workers=workers, progress=False)
    return read_stack(path, verify=False)


def _keep_output(folder: Path, scored: Scored) -> dict[str, str]:
    """Write what a method made, as it made it; return columns that say what the files are."""
    result = scored.outcome.result
    if result is None:
        return {}
    columns = {}
    folder.mkdir(parents=True, exist_ok=True)
    image = np.asarray(result.image)
    files = {"image.tif": encode_image(image, ".tif")}
    if result.depth is not None:
        files["depth.tif"] = encode_map(np.asarray(result.depth, np.float32))
        columns["depth_unit"] = result.depth_unit
        if result.used is not None:
            columns["used"] = " ".join(map(str, result.used))
    for name, data in files.items():
        write_whole(folder / name, data)
        columns[f"{Path(name).stem}_sha256"] = sha256(data)
    return columns


def _keep(store: Store, suite: Suite, cell: Cell, scored: Scored, *, alone: bool) -> None:
    """Keep a finished cell: first what the method made, then the row that says it is done."""
    columns = _keep_output(store.output(cell.key), scored)
    spec = cell.stack
    row = {
        "suite": suite.name,
        "condition": spec.condition,
        "severity": spec.severity,
        "value": spec.value,
        **scored.row,
        "stack_key": spec.key,
        "cell_key": cell.key,
        **columns,
        "time_is_comparable": alone,
    }
    done = DoneCell(
        row={name: _plain(value) for name, value in row.items()},
        from_outside=scored.outcome.from_outside,
        loaded=dict(scored.outcome.loaded),
    )
    store.keep(cell.key, done)


def _plain(value: Any) -> Any:
    """Return a value that JSON holds without loss; what is not a number is None."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else str(value)
    return value if value is None or isinstance(value, bool | int | float | str) else str(value)
