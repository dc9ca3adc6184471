"""Whether a finished benchmark holds: a random sample of its cells is done again."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ....ground.atomic import write_whole
from ....ground.litter import temporary_folder
from ...request import RequestError
from ..grid.cells import Cell, cells_of
from ..grid.suite import SUITE, suite_in
from .pools import in_this_process
from .run import task_on
from .store import Store
from .work import TIME_COLUMNS, do

#: How far two numbers may be apart: in their own unit or, above 1, as a share. With the same
#: libraries and one thread they are the same to the bit; another number of threads adds up in
#: another order, which moved a score by 3e-7 dB. No table prints more than a thousandth.
TOLERANCE = 1e-6
# What says how a cell was run here, and not what came of it.
_OF_THE_MACHINE = ("isolation", "version_covers")


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifiedCell:
    """One cell done again.

    Parameters
    ----------
    scene, method, cell_key : str
    different : tuple of str
        Columns that differ, times left out, by more than `TOLERANCE`; empty when it holds.
    """

    scene: str
    method: str
    cell_key: str
    different: tuple[str, ...]


def verify(folder: str | Path, *, cells: int = 3, seed: int = 0) -> Iterator[VerifiedCell]:
    """Do some finished cells again, in another folder, and compare their rows.

    Numeric libraries use one thread each, as they do in a benchmark.

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
        with in_this_process():
            checked = _again(store, done[index], every)
        yield checked


def _again(store: Store, cell: Cell, every: list[Cell]) -> VerifiedCell:
    beside = [other for other in every if other.stack is cell.stack]
    with temporary_folder("verify") as place:
        fresh = Store(place)
        fresh.make()
        write_whole(fresh.path / SUITE, (store.path / SUITE).read_bytes())
        do(task_on(fresh, beside, only=cell.key))
        return VerifiedCell(
            scene=cell.stack.shoot.scene.name,
            method=cell.method.name,
            cell_key=cell.key,
            different=_different(store.row(cell.key) or {}, fresh.row(cell.key) or {}),
        )


def _different(first: dict[str, Any], second: dict[str, Any]) -> tuple[str, ...]:
    left_out = (*TIME_COLUMNS, *_OF_THE_MACHINE)
    names = [name for name in {**first, **second} if name not in left_out]
    return tuple(name for name in names if not _alike(first.get(name), second.get(name)))


def _alike(one: Any, other: Any) -> bool:
    """Tell whether two values are the same, or two numbers as good as the same."""
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=TOLERANCE, abs_tol=TOLERANCE)
    return bool(one == other)
