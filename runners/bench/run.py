"""Runs a suite: what is done is kept, and only what is missing runs."""

from __future__ import annotations

import os
import platform
import subprocess
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import as_completed
from concurrent.futures.process import BrokenProcessPool
from itertools import groupby
from pathlib import Path
from typing import Any

import pandas as pd
from pydantic import TypeAdapter
from tqdm import tqdm

from runners.bench.cells import Cell, cells_of, scoring_version
from runners.bench.store import Store, write_whole
from runners.bench.suite import Suite
from runners.bench.tables import write_tables
from runners.bench.work import StackWork, do
from runners.request import RequestError
from runners.workplace import ONE_THREAD
from simulator.manifest import pretty_json, versions
from simulator.processes import processes

#: The suite as it was run, in the benchmark's folder.
SUITE = "suite.json"


def bench(
    suite: Suite,
    out: str | Path,
    *,
    workers: int = 1,
    shard: tuple[int, int] = (1, 1),
    only: str | None = None,
    keep_frames: bool = False,
    progress: bool = True,
    say: Callable[[str], None] = print,
) -> pd.DataFrame:
    """Run the cells of a suite that are not done yet, and write the tables.

    Parameters
    ----------
    suite : Suite
    out : path
        Folder of the benchmark; one that is there is gone on with.
    workers : int
        Processes; each does one stack at a time. With more than one, times are marked as not
        comparable.
    shard : (which, of how many)
        Only every so-manieth stack, counted from 1, for several machines on one folder.
    only : str or None
        Key of the one cell to do, also where it is done already; None does all that are missing.
    keep_frames : bool
        Whether rendered stacks stay when their cells are done.
    progress : bool
        Whether to draw a progress bar on stderr.
    say : callable
        Takes a line for the user.

    Returns
    -------
    DataFrame
        A row for each finished cell of the whole suite, also written as rows.csv and times.csv.

    Raises
    ------
    runners.request.RequestError
        The folder cannot be written, another run is at work in it, or a shard or cell that is not
        there.
    """
    if workers < 1:
        raise RequestError(f"workers: got {workers}, allowed 1 or more")
    which, count = shard
    if not 1 <= which <= count:
        raise RequestError(f"shard: got {which}/{count}, allowed 1/{count} to {count}/{count}")
    cells = cells_of(suite)
    chosen = None if only is None else cell_named(cells, only, suite=suite.name)
    store = Store(Path(out))
    store.make()
    with store.locked(f"{which}-of-{count}"):
        write_whole(store.path / "environment.json", pretty_json(environment(workers)).encode())
        suite_text = pretty_json(TypeAdapter(Suite).dump_python(suite, mode="json"))
        write_whole(store.path / SUITE, suite_text.encode())
        works = [
            StackWork(
                folder=store.path,
                suite=suite.name,
                cells=left,
                time_limit_s=suite.time_limit_s,
                memory_limit_mb=suite.memory_limit_mb,
                alone=workers == 1,
                keep_frames=keep_frames,
                views=views,
            )
            for left, views in _missing(store, cells, shard, chosen)
        ]
        left = sum(len(work.cells) for work in works)
        say(f"{suite.name}: {len(cells)} cells, {left} to do here")
        with tqdm(total=left, desc=suite.name, unit="cell", disable=not progress) as bar:
            for done in _run(works, workers):
                bar.update(done)
        return write_tables(store, cells)


def cell_named(cells: Sequence[Cell], key: str, *, suite: str) -> Cell:
    """Return the cell that has a key.

    Raises
    ------
    RequestError
        None has.
    """
    found = [cell for cell in cells if cell.key == key]
    if not found:
        raise RequestError(
            f"cell: got {key!r}, allowed a key of one of the {len(cells)} cells of {suite} under "
            "this version of the code\nthey stand in the column cell_key of rows.csv"
        )
    return found[0]


def _missing(
    store: Store, cells: Sequence[Cell], shard: tuple[int, int], chosen: Cell | None
) -> Iterator[tuple[list[Cell], tuple[int, ...]]]:
    """Yield the cells that are left to do, stack by stack, and the views already chosen there."""
    for number, (_, group) in enumerate(groupby(cells, key=lambda cell: id(cell.stack))):
        rows = {cell: store.row(cell.key) for cell in group}
        left = [cell for cell, row in rows.items() if row is None]
        if chosen is not None:
            left = _for_one(chosen, left) if chosen in rows else []
        elif number % shard[1] != shard[0] - 1:
            left = []
        if left:
            yield left, views_of(rows)


def _for_one(chosen: Cell, left: Sequence[Cell]) -> list[Cell]:
    """Return a cell with what it rests on: the truth is told in the view that others chose."""
    before = [
        cell
        for cell in left
        if chosen.method.needs_truth and not cell.method.needs_truth and cell is not chosen
    ]
    return [*before, chosen]


def views_of(rows: Mapping[Cell, Mapping[str, Any] | None]) -> tuple[int, ...]:
    """Return the views that a stack's finished methods chose, of those not told the truth."""
    found = (
        row.get("reference") for cell, row in rows.items() if row and not cell.method.needs_truth
    )
    return tuple(int(view) for view in found if view is not None)


def _run(works: Sequence[StackWork], workers: int) -> Iterator[int]:
    """Do the work in processes of their own; yield how many cells are done each time."""
    if not works:
        return
    os.environ.update(ONE_THREAD)  # for the processes that are started
    try:
        with processes(min(workers, len(works))) as pool:
            for future in as_completed([pool.submit(do, work) for work in works]):
                yield future.result()
    except BrokenProcessPool as error:
        raise RuntimeError(
            "a process was ended from outside (out of memory?); what is done is kept, "
            "the same command goes on"
        ) from error


def environment(workers: int) -> dict[str, Any]:
    """Return what a benchmark ran on and with."""
    return {
        **versions(),
        "scoring": scoring_version(),
        "commit": _git("rev-parse", "HEAD"),
        "changed_files": bool(_git("status", "--porcelain")),
        "machine": platform.machine(),
        "processor": _processor(),
        "system": platform.platform(),
        "workers": workers,
        "threads": ONE_THREAD,
    }


def _git(*words: str) -> str:
    """Return what git says of this checkout; nothing where it is none."""
    here = Path(__file__).resolve().parent
    try:
        ran = subprocess.run(
            ["git", *words], cwd=here, capture_output=True, text=True, timeout=30, check=True
        )
    except (OSError, subprocess.SubprocessError):
        return ""
    return ran.stdout.strip()


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor()
    named = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return named[0] if named else platform.processor()
