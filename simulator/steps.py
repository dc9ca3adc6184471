"""Work in steps, some of which need others done before, in this process or in a pool of them."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import partial
from heapq import heappop, heappush
from typing import Any, TypeVar

from threadpoolctl import threadpool_limits

from .processes import end_in_good_order, processes

Job = TypeVar("Job")
Made = TypeVar("Made")


@dataclass(frozen=True, kw_only=True)
class Step:
    """A piece of work that any process can do.

    Parameters
    ----------
    name : hashable
        Its own among the steps.
    do : callable
        Takes what the steps of `after` gave, in their order; what it gives must not depend on
        where and when it is done.
    after : tuple of hashable
        Names of the steps that must be done before.
    """

    name: Any
    do: Callable[..., Any]
    after: tuple[Hashable, ...] = ()


class StepQueue:
    """Steps that are left to do; of those that can be done, the first in their order is next.

    So what finishes others, and stands after them, comes before what stands still later. What those
    others made is held until then.

    Parameters
    ----------
    steps : sequence of Step
    """

    def __init__(self, steps: Sequence[Step]) -> None:
        self._place = {step.name: place for place, step in enumerate(steps)}
        self._steps = list(steps)
        self._ready = [place for place, step in enumerate(steps) if not step.after]
        self._needs = {step.name: set(step.after) for step in steps if step.after}
        self._given: dict[Hashable, Any] = {}
        self._then: dict[Hashable, list[Hashable]] = {}
        for step in steps:
            for name in step.after:
                self._then.setdefault(name, []).append(step.name)

    def take(self) -> tuple[Step, list[Any]] | None:
        """Take the next step that can be done now, with what it is given; None: all wait."""
        if not self._ready:
            return None
        step = self._steps[heappop(self._ready)]
        given = [self._given[name] for name in step.after]
        for name in step.after:
            self._then[name].remove(step.name)
            if not self._then[name]:
                del self._given[name]
        return step, given

    def done(self, step: Step, made: Any) -> None:
        """Free what waited for a step alone; keep what it made for those that take it."""
        for name in self._then.get(step.name, ()):
            self._given[step.name] = made
            self._needs[name].discard(step.name)
            if not self._needs[name]:
                heappush(self._ready, self._place[name])


def carry_out(
    steps: Sequence[Step],
    *,
    pool: ProcessPoolExecutor | None = None,
    at_once: int = 1,
    meanwhile: Callable[[], object] | None = None,
) -> Iterator[tuple[Step, Any]]:
    """Do steps and yield each, with what it gave, when it is done.

    Parameters
    ----------
    steps : sequence of Step
        Where there is a choice they are begun in this order: so the longest come first.
    pool : executor or None
        None does all of it in this process.
    at_once : int
        At most so many steps are handed to the pool, >= 1; no more than these, and what waits for
        others of the same `after`, takes memory or disk at any time.
    meanwhile : callable or None
        What this process may do while the pool is at the first steps; without a pool, it may wait.
    """
    queue = StepQueue(steps)
    if pool is None:
        with threadpool_limits(1):  # as in the processes of a pool: see `one_thread_each`
            while (taken := queue.take()) is not None:
                step, given = taken
                made = step.do(*given)
                queue.done(step, made)
                yield step, made
        return
    pending: dict[Future[Any], Step] = {}
    while True:
        while len(pending) < at_once and (taken := queue.take()) is not None:
            step, given = taken
            pending[pool.submit(step.do, *given)] = step
        if not pending:
            return
        if meanwhile is not None:
            meanwhile()
            meanwhile = None
        for future in wait(pending, return_when=FIRST_COMPLETED).done:
            step, made = pending.pop(future), future.result()
            queue.done(step, made)
            yield step, made


def side_by_side(
    make: Callable[[Job], Made], jobs: Sequence[Job], *, workers: int
) -> Iterator[Made]:
    """Yield what is made of each job, in their order; all in one thread a process.

    Parameters
    ----------
    make : callable
        Function of a module, or a `functools.partial` of one; must give the same wherever it runs.
    jobs : sequence
    workers : int
        Processes, >= 1; with one, or one job, all is done in this process.

    Raises
    ------
    RuntimeError
        A process was ended from outside.
    """
    steps = [Step(name=number, do=partial(make, job)) for number, job in enumerate(jobs)]
    workers = min(workers, len(steps))
    if workers <= 1:
        yield from (made for _, made in carry_out(steps))
        return
    early: dict[int, Made] = {}
    awaited = 0
    try:
        with processes(workers, start=end_in_good_order) as pool:
            for step, made in carry_out(steps, pool=pool, at_once=workers + 1):
                early[step.name] = made
                while awaited in early:
                    yield early.pop(awaited)
                    awaited += 1
    except BrokenProcessPool as error:
        raise RuntimeError("a process was ended from outside (out of memory?)") from error


def called(job: Callable[[], Made]) -> Made:
    """Return what a call gives: makes jobs of different functions for `side_by_side`."""
    return job()
