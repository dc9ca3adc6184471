"""The work on one stack of a benchmark: render it once, then run and score what is missing."""

from __future__ import annotations

import math
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from runners.bench.cells import Cell, StackSpec
from runners.bench.store import Store, write_whole
from runners.scoring import Judge, Scored, run_all
from simulator.frameio import encode_image, encode_map
from simulator.manifest import StackError, sha256
from simulator.stackio import Stack, read_stack
from simulator.stackwrite import write_stack

#: Columns that differ from run to run; they have a table of their own.
TIME_COLUMNS = ("seconds", "peak_mb", "time_is_comparable")


@dataclass(frozen=True, kw_only=True, eq=False)
class StackWork:
    """The cells of one stack that are still to be done.

    Parameters
    ----------
    folder : Path
        Of the benchmark.
    suite : str
    cells : sequence of Cell
        All on the same stack.
    time_limit_s, memory_limit_mb : float or None
        For each method.
    alone : bool
        Whether nothing else runs beside, so that times may be compared.
    keep_frames : bool
        Whether the stack stays when its cells are done.
    views : tuple of int
        Frames in whose view the stack's finished cells merged without being told the truth.
    """

    folder: Path
    suite: str
    cells: Sequence[Cell]
    time_limit_s: float | None
    memory_limit_mb: float | None
    alone: bool
    keep_frames: bool
    views: tuple[int, ...] = ()


def do(work: StackWork) -> int:
    """Do the cells and return their number; each is kept as soon as it is done."""
    store = Store(work.folder)
    spec = work.cells[0].stack
    stack = _stack(store, spec)
    judge = Judge(stack)
    methods = [cell.method for cell in work.cells]
    for number, scored in run_all(
        judge,
        methods,
        views=work.views,
        time_limit_s=work.time_limit_s,
        memory_limit_mb=work.memory_limit_mb,
    ):
        cell = work.cells[number]
        sums = _keep_output(store.output(cell.key), scored)
        store.keep(cell.key, _row(work, cell, scored, sums))
    if not work.keep_frames:
        shutil.rmtree(stack.path)
    return len(work.cells)


def _stack(store: Store, spec: StackSpec) -> Stack:
    """Return the rendered stack; one that is damaged is rendered again."""
    path = store.stacks / spec.key
    for left in store.stacks.glob(f".{spec.key}-*"):  # of a run that was ended
        shutil.rmtree(left, ignore_errors=True)
    if path.exists():
        try:
            return read_stack(path)
        except StackError:
            shutil.rmtree(path)
    write_stack(spec.plan, path, progress=False)
    return read_stack(path)


def _keep_output(folder: Path, scored: Scored) -> dict[str, str]:
    """Write what a method made, as it made it; return checksums."""
    result = scored.outcome.result
    if result is None:
        return {}
    folder.mkdir(parents=True, exist_ok=True)
    image = np.asarray(result.image)
    files = {"image.tif": encode_image(image, ".tif")}
    if result.depth is not None:
        files["depth.tif"] = encode_map(np.asarray(result.depth, np.float32))
    for name, data in files.items():
        write_whole(folder / name, data)
    return {f"{Path(name).stem}_sha256": sha256(data) for name, data in files.items()}


def _row(work: StackWork, cell: Cell, scored: Scored, sums: dict[str, str]) -> dict[str, Any]:
    spec = cell.stack
    row = {
        "suite": work.suite,
        "condition": spec.condition,
        "severity": spec.severity,
        "value": spec.value,
        **scored.row,
        "stack_key": spec.key,
        "cell_key": cell.key,
        **sums,
        "time_is_comparable": work.alone,
    }
    return {name: _plain(value) for name, value in row.items()}


def _plain(value: Any) -> Any:
    """Return a value that JSON holds without loss; what is not a number is None."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else str(value)
    return value if value is None or isinstance(value, bool | int | float | str) else str(value)
