"""Runs a few long jobs at once, each in a process of its own."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from typing import NoReturn, TypeVar

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
    try:
        with processes(min(workers, len(jobs)), start=_end_in_good_order) as pool:
            for future in [pool.submit(make, job) for job in jobs]:
                yield future.result()
    except BrokenProcessPool as error:
        raise RuntimeError("a process was ended from outside (out of memory?)") from error


def _end_in_good_order() -> None:
    """Let this process clean up when it is asked to end."""
    signal.signal(signal.SIGTERM, _interrupt)


def _interrupt(number: int, frame: object) -> NoReturn:
    raise KeyboardInterrupt
