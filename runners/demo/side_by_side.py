"""Runs a few long jobs at once, each in a process of its own with its own line of progress."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from functools import partialmethod
from multiprocessing import get_context
from multiprocessing.synchronize import RLock
from typing import Any, NoReturn, TypeVar

from tqdm import tqdm

from ...simulator.processes import processes

Job = TypeVar("Job")
Made = TypeVar("Made")


def side_by_side(
    make: Callable[[Job], Made], jobs: Sequence[Job], *, workers: int
) -> Iterator[Made]:
    """Yield what is made of each job, in their order.

    Parameters
    ----------
    make : callable
        Function of a module; must give the same wherever it runs.
    jobs : sequence
    workers : int
        Processes; with one, or one job, all is done in this process.

    Raises
    ------
    RuntimeError
        A process was ended from outside.
    """
    if min(workers, len(jobs)) <= 1:
        yield from map(make, jobs)
        return
    context = get_context("spawn")
    given = (context.Value("i", 0), context.RLock())
    try:
        with processes(min(workers, len(jobs)), start=_start, given=given) as pool:
            for future in [pool.submit(make, job) for job in jobs]:
                yield future.result()
    except BrokenProcessPool as error:
        raise RuntimeError("a process was ended from outside (out of memory?)") from error


def _start(lines: Any, lock: RLock) -> None:
    """Give this process's progress bars a line of their own; let it end in good order."""
    signal.signal(signal.SIGTERM, _interrupt)
    with lines.get_lock():
        line = lines.value
        lines.value += 1
    tqdm.set_lock(lock)
    placed = partialmethod(tqdm.__init__, position=line, leave=False)
    tqdm.__init__ = placed  # type: ignore[method-assign,assignment]


def _interrupt(number: int, frame: object) -> NoReturn:
    raise KeyboardInterrupt
