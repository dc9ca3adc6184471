"""Runs a suite: what is done is kept, and only what is missing is done."""

from __future__ import annotations

import errno
import os
import platform
import shutil
import subprocess
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tqdm import tqdm

from ....ground.atomic import write_whole
from ....ground.threads import ONE_THREAD
from ....simulator.shooting.shoot import Shoot
from ....simulator.stack.manifest import pretty_json, versions
from ....simulator.view.camera import crop_size
from ...isolate.memory_group import how_memory_is_held
from ...request import RequestError, StoppedError, request
from ..grid.cells import Cell, by_stack, cells_of, scoring_version
from ..grid.suite import SUITE, Suite, suite_in, suite_text
from ..grid.windows import located
from .folder import refuse_other_contents
from .missing import left_of
from .pools import Pool, in_this_process, on_cluster, on_this_machine
from .store import Store
from .work import Task, cells_done, give_up

if TYPE_CHECKING:
    import pandas as pd

#: How often the folder is looked at for new rows.
_LOOK_S = 1.0
_NO_WRITING = (
    errno.ENOSPC,
    errno.EDQUOT,
    errno.EROFS,
    errno.EFBIG,
    errno.EACCES,
    errno.EPERM,
    errno.EIO,
)


def bench(
    suite: Suite,
    out: str | Path,
    *,
    workers: int = 1,
    cluster: str | None = None,
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
        Folder of the benchmark; one that exists is resumed.
    workers : int
        Processes; each does one stack at a time, or shares one where there are fewer stacks. With
        more than one, times are marked as not comparable.
    cluster : str or None
        Address of a dask scheduler whose workers do it instead of processes of this machine; they
        must see the folder, and the suite's own files, under the same paths.
    shard : (which, of how many)
        Only each n-th stack, from the given one of n on, for several machines on one folder.
    only : str or None
        Key of the one cell to do, even if it is done already; None does all that are missing.
    keep_frames : bool
        Whether rendered stacks stay when their cells are done, also those of an earlier call.
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
        A name in the suite, a shard or a cell that does not exist; the folder cannot be written,
        or another benchmark is at work in it; nobody answers at the cluster's address.
    RuntimeError
        Processes were ended from outside, or a worker has other code; what is done is kept.
    OSError
        There is no room to write, or permission is gone; what is done is kept.
    """
    if workers < 1:
        raise RequestError(f"workers: got {workers}, allowed 1 or more")
    which, count = shard
    if not 1 <= which <= count:
        raise RequestError(f"shard: got {which}/{count}, allowed 1/{count} to {count}/{count}")
    store = Store(Path(out).absolute())
    with request():
        suite = located(_found_before(suite, store.path))
        cells = cells_of(suite)
    if only is not None:
        check_key(only, cells, suite=suite.name)
    with request():
        refuse_other_contents(store, suite, cells)
    with _kept(store), _workers(workers, cluster, store.tables) as pool:
        store.make()
        store.clear()
        with store.locked(f"{which}-of-{count}"):
            known = pretty_json(environment(pool.workers if pool else 1))
            write_whole(store.path / "environment.json", known.encode())
            write_whole(store.path / SUITE, suite_text(suite).encode())
            stacks = list(_wanted(cells, shard, only))
            if not keep_frames:
                _sweep(store, stacks)
            missing = list(_missing(store, stacks, only))
            if pool is not None:  # long ones first: none is left at the end to wait for
                missing.sort(key=lambda one: -_frame_pixels(one[0][0].stack.shoot))
            # Where there are fewer stacks than processes, several share the work on one.
            each = max(1, pool.workers // max(1, len(missing))) if pool and pool.local else 1
            task = partial(
                task_on, store, only=only, alone=pool is None, keep_frames=keep_frames, workers=each
            )
            tasks = {task(group): keys for group, keys in missing}
            total = sum(len(keys) for keys in tasks.values())
            say(f"{suite.name}: {len(cells)} cells, {total} to do here")
            if pool is None:
                done = finished_here(store, suite, cells, tasks)
            else:
                done = finished(store, tasks, pool)
            # Loads pandas, which workers do without, while they start.
            from .tables import write_tables  # noqa: PLC0415

            with _bar(suite.name, total if progress else 0) as bar:
                for _ in done:
                    bar.update()
            return write_tables(store, cells)


def _found_before(suite: Suite, folder: Path) -> Suite:
    """Return the suite as the folder holds it, where that differs by found places alone."""
    try:
        held = suite_in(folder)
    except ValueError:  # none yet, or damaged
        return suite
    return held if replace(held, places=suite.places) == suite else suite


def _workers(
    workers: int, cluster: str | None, tables: Path
) -> AbstractContextManager[Pool | None]:
    """Return where the work is done; None where this process does it."""
    if cluster is not None:
        return on_cluster(cluster)
    return on_this_machine(workers, tables) if workers > 1 else in_this_process()


def _bar(name: str, total: int) -> tqdm[Any]:
    """Return a bar of cells; it foretells by the mean of all, for they come in bunches."""
    return tqdm(total=total, desc=name, unit="cell", smoothing=0, miniters=1, disable=total == 0)


@contextmanager
def _kept(store: Store) -> Iterator[None]:
    """Say, when processes or the disk fail, that what is done is kept."""
    try:
        yield
    except (BrokenProcessPool, CancelledError) as error:
        raise StoppedError(
            "processes were ended from outside (out of memory?); what is done is kept, "
            "the same command resumes"
        ) from error
    except OSError as error:
        if error.errno not in _NO_WRITING:
            raise
        place = f" ({error.filename})" if error.filename else ""
        raise OSError(
            f"{store.path}: {error.strerror}{place}\n"
            "what is done is kept; the same command resumes once the folder can be written to"
        ) from error


def check_key(key: str, cells: Sequence[Cell], *, suite: str) -> None:
    """Refuse a key that no cell has.

    Raises
    ------
    RequestError
    """
    if key not in (cell.key for cell in cells):
        raise RequestError(
            f"cell: got {key!r}, allowed a key of one of the {len(cells)} cells of {suite} under "
            "this version of the code\nthey stand in the column cell_key of rows.csv"
        )


def _wanted(
    cells: Sequence[Cell], shard: tuple[int, int], only: str | None
) -> Iterator[tuple[Cell, ...]]:
    """Yield the cells of each stack that is asked for."""
    which, count = shard
    for number, group in enumerate(by_stack(cells).values()):
        if number % count == which - 1 if only is None else only in (c.key for c in group):
            yield group


def _missing(
    store: Store, stacks: Iterable[tuple[Cell, ...]], only: str | None
) -> Iterator[tuple[tuple[Cell, ...], list[str]]]:
    """Yield the cells of each stack that has any left to do, and the keys of those."""
    for group in stacks:
        left = left_of({cell: store.done(cell.key) for cell in group}, only=only)
        if left:
            yield group, [cell.key for cell in left]


def _frame_pixels(shoot: Shoot) -> int:
    width, height = crop_size(shoot.crop, shoot.rig)
    return len(shoot) * width * height // shoot.bin**2


def _sweep(store: Store, stacks: Iterable[tuple[Cell, ...]]) -> None:
    """Remove frames that stayed because a benchmark was ended after their last cell."""
    for group in stacks:
        key = group[0].stack.key
        path = store.stacks / key
        if path.exists() and not left_of({cell: store.done(cell.key) for cell in group}):
            with store.stack_locked(key):
                shutil.rmtree(path, ignore_errors=True)


def task_on(
    store: Store,
    group: Sequence[Cell],
    *,
    only: str | None = None,
    alone: bool = True,
    keep_frames: bool = False,
    workers: int = 1,
) -> Task:
    """Return the task of doing what is missing of a stack, given all cells on it."""
    return Task(
        folder=str(store.path),
        stack=group[0].stack.key,
        cells=tuple(cell.key for cell in group),
        only=only,
        alone=alone,
        keep_frames=keep_frames,
        workers=workers,
        # The code is in the keys.
        versions=tuple((name, at) for name, at in versions().items() if name != "code"),
    )


def finished_here(
    store: Store, suite: Suite, cells: Sequence[Cell], tasks: Mapping[Task, Sequence[str]]
) -> Iterator[str]:
    """Do what is left of each stack in this process, and yield the key of each such cell.

    Parameters
    ----------
    store : Store
    suite : Suite
    cells : sequence of Cell
        All of the suite.
    tasks : mapping of Task to keys of the cells it does
    """
    stacks = by_stack(cells)
    for task, keys in tasks.items():
        waited_for = set(keys)
        for key in cells_done(task, store, suite, stacks[task.stack]):
            if key in waited_for:
                waited_for.remove(key)
                yield key
        yield from sorted(waited_for)  # another benchmark on this folder has done them meanwhile


def finished(store: Store, tasks: Mapping[Task, Sequence[str]], pool: Pool) -> Iterator[str]:
    """Submit all tasks; yield the key of each cell as its row appears in the folder.

    Parameters
    ----------
    store : Store
    tasks : mapping of Task to sequence of str
        Each with the keys of the cells that it is to do.
    pool : Pool
        A cell whose processes were ended from outside has a row that says so.
    """
    before = store.stamps()
    pending = {pool.submit(task): task for task in tasks}
    return _as_they_come(store, tasks, pool, pending, before)


def _as_they_come(
    store: Store,
    tasks: Mapping[Task, Sequence[str]],
    pool: Pool,
    pending: dict[Future[None], Task],
    before: Mapping[str, int],
) -> Iterator[str]:
    waited_for = {key for keys in tasks.values() for key in keys}
    while pending:
        done, _ = wait(pending, timeout=_LOOK_S, return_when=FIRST_COMPLETED)
        over: set[str] = set()
        for future in done:
            task = pending.pop(future)
            over.update(tasks[task])
            try:
                future.result()
            except pool.lost:
                give_up(task, "the process that did it died, and each that tried again")
        now = store.stamps()
        new = over | {key for key in waited_for if now.get(key) != before.get(key)}
        for key in sorted(new & waited_for):
            if store.row(key) is not None:
                yield key
        waited_for -= new


def environment(workers: int) -> dict[str, Any]:
    """Return what a benchmark ran on and with; of the processor no more than kind and cores."""
    return {
        **versions(),
        "scoring": scoring_version(),
        "commit": _git("rev-parse", "HEAD"),
        "changed_files": bool(_git("status", "--porcelain")),
        "machine": platform.machine(),
        "cores": os.cpu_count(),
        "system": platform.platform(),
        "workers": workers,
        "threads": ONE_THREAD,
        "memory_limits": how_memory_is_held(),
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
