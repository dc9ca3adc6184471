"""Does a finished benchmark hold? A random sample of its cells is rendered and scored again."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from runners.bench.cells import Cell, cells_of
from runners.bench.run import SUITE, views_of
from runners.bench.store import Store
from runners.bench.suite import Suite
from runners.bench.work import TIME_COLUMNS, StackWork, do
from runners.request import RequestError
from simulator.data import validate


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One cell done again.

    Parameters
    ----------
    scene, method, cell_key : str
    different : tuple of str
        Columns that differ, times left out; none when it holds.
    """

    scene: str
    method: str
    cell_key: str
    different: tuple[str, ...]


def suite_in(folder: Path) -> Suite:
    """Return the suite that a benchmark's folder was made by.

    Raises
    ------
    RequestError
        The folder holds no benchmark.
    """
    try:
        held = json.loads((folder / SUITE).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise RequestError(f"{folder}: no benchmark ({SUITE} cannot be read: {error})") from error
    return validate(Suite, held, where=folder / SUITE)


def verify(folder: str | Path, *, cells: int = 3, seed: int = 0) -> Iterator[Check]:
    """Do some finished cells again, in another folder, and compare.

    Parameters
    ----------
    folder : path
        Of a benchmark.
    cells : int
        How many; at most all that are done.
    seed : int
        Of the choice.

    Raises
    ------
    RequestError
        The folder holds no benchmark, or no cell of it was done by this version of the code.
    """
    store = Store(Path(folder))
    suite = suite_in(store.path)
    every = cells_of(suite)
    done = [cell for cell in every if store.row(cell.key) is not None]
    if not done:
        raise RequestError(f"{folder}: no cell is done that this version of the code made")
    rng = np.random.default_rng(seed)
    for index in rng.permutation(len(done))[:cells]:
        yield _again(store, suite, done[index], every)


def _again(store: Store, suite: Suite, cell: Cell, every: list[Cell]) -> Check:
    kept = {other: store.row(other.key) for other in every if other.stack.key == cell.stack.key}
    with tempfile.TemporaryDirectory() as place:
        fresh = Store(Path(place))
        fresh.make()
        work = StackWork(
            folder=fresh.path,
            suite=suite.name,
            cells=[cell],
            time_limit_s=suite.time_limit_s,
            memory_limit_mb=suite.memory_limit_mb,
            alone=True,
            keep_frames=False,
            views=views_of(kept),
        )
        do(work)
        return Check(
            scene=cell.stack.plan.scene.name,
            method=cell.method.name,
            cell_key=cell.key,
            different=_different(store.row(cell.key) or {}, fresh.row(cell.key) or {}),
        )


def _different(first: dict[str, Any], second: dict[str, Any]) -> tuple[str, ...]:
    names = {**first, **second}
    return tuple(
        name for name in names if name not in TIME_COLUMNS and first.get(name) != second.get(name)
    )
