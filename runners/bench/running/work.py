"""The work on one stack of a benchmark: render it once, then run and score what is missing."""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache, partial
from itertools import repeat
from pathlib import Path
from typing import Any

import numpy as np

from ....ground.atomic import write_whole
from ....ground.checksum import sha256
from ....ground.pictures import encode_image, encode_map
from ....ground.stamps import Stamps, stamps_below
from ....simulator.stack.manifest import StackError, canonical_json, plan_to_data, versions
from ....simulator.stack.stackio import Stack, read_stack
from ....simulator.stack.stackwrite import write_stack
from ....simulator.steps import side_by_side
from ...cluster import other_versions, refuse_others
from ...contract import Outcome
from ...isolate.staying import StayingMethods
from ...isolate.workplace import FROM_OUTSIDE
from ...judge.scoring import Judge, Scored, without_result
from ..grid.cells import Cell, StackSpec, by_stack, cells_of
from ..grid.suite import SUITE, Suite, suite_in
from .missing import left_of
from .store import DoneCell, Store

# How often a stack may be damaged while one method works on it.
_TRIES = 3
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
        for cell, scored in _all_scored(task, store, suite, left):
            _keep(store, suite, cell, scored, alone=task.alone)
            yield cell.key
        if not task.keep_frames:
            shutil.rmtree(_stack_folder(store, cells[0].stack))


def _all_scored(
    task: Task, store: Store, suite: Suite, cells: Sequence[Cell]
) -> Iterator[tuple[Cell, Scored]]:
    """Yield cells of one stack with their scores, from one process or from several."""
    # One cell done by itself, as when it is verified, owes nothing to others.
    staying = _staying() if task.only is None else StayingMethods(over_stacks=False)
    watched = _judge(store, cells[0].stack, staying=staying, workers=task.workers)
    path, sound = _stack_folder(store, cells[0].stack), watched.stamps
    tries: Iterator[Scored | None] = repeat(None)
    if task.workers > 1:
        score = partial(_tried, stack=path, hidden=store.path, suite=suite)
        tries = side_by_side(score, cells, workers=task.workers)
    for cell, tried in zip(cells, tries, strict=False):
        # What was done on frames that were changed since does not count.
        if tried is None or stamps_below(path) != sound:
            watched, scored = _scored(watched, store, suite, cell)
            yield cell, scored
        else:
            yield cell, tried


def _tried(cell: Cell, *, stack: Path, hidden: Path, suite: Suite) -> Scored | None:
    """Score a cell in one of several processes; None where the stack cannot be read."""
    try:
        return _run(cell, _own_judge(stack, hidden), suite)
    except (OSError, ValueError):
        return None


@lru_cache(maxsize=1)
def _own_judge(stack: Path, hidden: Path) -> Judge:
    stack_there = read_stack(stack, verify=False)
    return Judge(stack_there, hidden=(hidden,), staying=_staying())


@cache
def _staying() -> StayingMethods:
    """Return the methods that stay loaded in this process, over all stacks that it does."""
    return StayingMethods()


def _run(cell: Cell, judge: Judge, suite: Suite) -> Scored:
    """Run the method of a cell within the suite's limits, and score it."""
    return judge.run(
        cell.method, time_limit_s=suite.time_limit_s, memory_limit_mb=suite.memory_limit_mb
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Watched:
    """A judge on a stack, and the stamps of its files when they were sound."""

    judge: Judge
    stamps: Stamps


def _judge(
    store: Store, spec: StackSpec, *, staying: StayingMethods | None, workers: int = 1
) -> _Watched:
    rendered = _rendered(store, spec, workers=workers)
    judge = Judge(rendered, hidden=(store.path,), staying=staying)
    return _Watched(judge=judge, stamps=stamps_below(_stack_folder(store, spec)))


def _scored(watched: _Watched, store: Store, suite: Suite, cell: Cell) -> tuple[_Watched, Scored]:
    """Run and score a cell on sound frames; what was damaged meanwhile is rendered again.

    Returns
    -------
    _Watched
        To go on with.
    Scored

    Raises
    ------
    OSError
        The stack does not stay as it is.
    """
    path = _stack_folder(store, cell.stack)
    for _ in range(_TRIES):
        try:
            scored = _run(cell, watched.judge, suite)
        except (OSError, ValueError):
            if stamps_below(path) == watched.stamps:
                raise
        else:
            if stamps_below(path) == watched.stamps:
                return watched, scored
        watched = _judge(store, cell.stack, staying=watched.judge.staying)
    raise OSError(f"{path}: the stack was changed {_TRIES} times while it was in use")


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
    others = other_versions(task.versions)
    store = Store(Path(task.folder))
    suite, stacks = _suite_and_stacks(store.path, (store.path / SUITE).read_bytes())
    cells = stacks.get(task.stack, ())
    if tuple(cell.key for cell in cells) != task.cells:
        others.append(f"the code or a file of {suite.name}")
    refuse_others(others)
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
            found = read_stack(path)
        except StackError:
            found = None
        if found is not None and _is_of(found, spec):
            return found
        shutil.rmtree(path)
    write_stack(spec.shoot, path, workers=workers, progress=False)
    return read_stack(path, verify=False)


def _is_of(stack: Stack, spec: StackSpec) -> bool:
    """Tell whether a stack is what would be rendered, and not another put in its place."""
    planned = canonical_json(plan_to_data(spec.shoot))
    here = stack.manifest.versions.get("code") == versions()["code"]
    return here and canonical_json(stack.manifest.plan) == planned


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
        "window": spec.window,
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
