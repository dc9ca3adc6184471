"""Where the work of a benchmark is done: this process, others of this machine, or a cluster.

Wherever it is, rows are written to the benchmark's folder. Other processes are sent tasks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from threadpoolctl import threadpool_limits

from ....ground.checksum import sha256
from ....ground.litter import removed
from ....ground.threads import one_thread_each
from ....simulator.processes import processes
from ....simulator.tables import share_tables
from ...cluster import connected
from .work import Task, do


@dataclass(frozen=True, kw_only=True)
class Pool:
    """Workers that do tasks.

    Parameters
    ----------
    submit : callable
        Takes a task; returns its future.
    workers : int
        How many tasks they do at once.
    local : bool
        Whether they are this machine's, so that one of them may start more where others have
        nothing to do.
    lost : tuple of exception types
        What a future raises when processes died under its task but others are still at work.
    """

    submit: Callable[[Task], Future[None]]
    workers: int
    local: bool = False
    lost: tuple[type[Exception], ...] = ()


@contextmanager
def in_this_process() -> Iterator[None]:
    """Let numeric libraries use one thread, here and in processes that are started.

    One worker alone needs no other process, which would load everything once more.
    """
    with one_thread_each(), threadpool_limits(1):  # libraries here have read the environment
        yield


@contextmanager
def on_this_machine(workers: int, tables: Path) -> Iterator[Pool]:
    """Give a pool of processes of this machine; they end with this one.

    Parameters
    ----------
    workers : int
    tables : Path
        New folder that they share long tables in meanwhile; no method may write there.
    """
    try:
        with processes(workers, start=partial(share_tables, tables)) as pool:
            yield Pool(submit=lambda task: pool.submit(do, task), workers=workers, local=True)
    finally:
        removed(tables)


@contextmanager
def on_cluster(address: str) -> Iterator[Pool]:
    """Give the workers of a dask cluster, which must see the benchmark's folder at its own path.

    A task whose worker dies is given to another; how often, the cluster's scheduler decides
    (``distributed.scheduler.allowed-failures``).

    Raises
    ------
    RequestError
        dask.distributed is not installed, nothing answers at the address, or no worker is there.
    """
    with connected(address) as client:
        from distributed import KilledWorker  # noqa: PLC0415 - an extra, and slow

        pool = client.get_executor()
        # The same key for the same task: a resumed benchmark finds what is still being done.
        yield Pool(
            submit=lambda task: pool.submit(do, task, key=key_of(task)),
            workers=sum(client.nthreads().values()),
            lost=(KilledWorker,),
        )


def key_of(task: Task) -> str:
    """Return the name of a task on a cluster: the same for the same task alone."""
    return f"stacktruth-{sha256(repr(task).encode())[:20]}"
