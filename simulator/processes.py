"""Processes that share out work, and end with the one that started them."""

from __future__ import annotations

import atexit
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import active_children, get_context, parent_process
from multiprocessing.connection import wait
from typing import NoReturn

from threadpoolctl import threadpool_limits
from tqdm import tqdm

from ..ground.stand_by import one_stands_by
from ..ground.threads import ONE_THREAD, one_thread_each

#: Priority of processes that share out work: whoever sits at the machine comes first.
_NICE = 5


def usable_cores() -> int:
    """Return how many cores this process may use: those of the machine that it is not kept from."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Processes(ProcessPoolExecutor):
    """A pool of processes that can be ended at once.

    Parameters
    ----------
    workers : int
        So many processes, >= 1; all start with the first work.
    start : callable or None
        Called in each process before its work; a function of a module.
    """

    def __init__(self, workers: int, start: Callable[[], None] | None) -> None:
        self._others = set(active_children())
        # Started afresh, or by one that stands by, and not forked: a fork copies the locks of this
        # process's threads.
        how = get_context("forkserver" if one_stands_by() else "spawn")
        super().__init__(workers, mp_context=how, initializer=_start, initargs=(start,))
        # All processes start before any is watched: a thread of Python 3.11 that finds one lost
        # while another starts closes what the start hands on, and fails itself.
        self._safe_to_dynamically_spawn_children = False

    def end(self) -> None:
        """End all processes, whatever they are doing, and return when they have ended."""
        for worker in set(active_children()) - self._others:
            worker.terminate()
        self.shutdown(cancel_futures=True)


@contextmanager
def processes(workers: int, *, start: Callable[[], None] | None = None) -> Iterator[Processes]:
    """Give a pool of processes; whatever ends the block early ends them too.

    Each holds numeric libraries to one thread, and gives way to programs of ordinary priority.

    Parameters
    ----------
    workers, start
        As for `Processes`.

    Raises
    ------
    concurrent.futures.process.BrokenProcessPool
        From a future: a process was ended from outside.
    """
    pool = Processes(workers, start)
    try:
        with one_thread_each():
            yield pool
    except BrokenProcessPool:
        raise
    except BaseException:
        pool.end()  # what they are doing is of no use any more
        raise
    finally:
        pool.shutdown(cancel_futures=True)


def end_in_good_order() -> None:
    """Let this process clean up when it is asked to end."""
    signal.signal(signal.SIGTERM, _leave)


def _leave(number: int, frame: object) -> NoReturn:
    raise SystemExit(1)  # unlike an interrupt, said to nobody


def _start(start: Callable[[], None] | None) -> None:
    os.environ.update(ONE_THREAD)  # the one that stands by may have been told otherwise
    threadpool_limits(1)
    if hasattr(os, "setpriority"):
        os.setpriority(os.PRIO_PROCESS, 0, max(_NICE, os.getpriority(os.PRIO_PROCESS, 0)))
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that started it ends it
    threading.Thread(target=_end_with_parent, daemon=True).start()
    # As a forked one ends: to take down all modules first would be waited for. What is to be done
    # at a process's end is known to `multiprocessing`, which has done it by then.
    atexit.register(os._exit, 0)
    # The lock that bars make for themselves is a semaphore, which outlives a process that is ended.
    tqdm.set_lock(threading.RLock())
    if start is not None:
        start()


def _end_with_parent() -> None:
    """End this process when the one that started it has gone, even by kill -9.

    It would wait for work for ever, or go on with work that nobody asks for any more.
    """
    parent = parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os.kill(os.getpid(), signal.SIGKILL)
