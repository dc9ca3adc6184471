"""What the commands of this folder share: CPU time, and two workers against one."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable


def cpu_s(work: Callable[[], object]) -> float:
    """Return the CPU time of one call."""
    start = time.process_time()
    work()
    return time.process_time() - start


def wall_s(work: Callable[[], object]) -> float:
    """Return the wall time of one call."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def compare_workers(work: Callable[[int], object], *, rounds: int) -> None:
    """Do work with one worker and with two, in turn; print each round, and the median ratio."""
    ratios = []
    for _ in range(rounds):
        one, two = (wall_s(lambda workers=workers: work(workers)) for workers in (1, 2))
        ratios.append(one / two)
        print(f"one worker {one:.1f} s, two {two:.1f} s: {ratios[-1]:.2f} times", flush=True)
    print(f"median: {statistics.median(ratios):.2f} times as fast with two (aim: 1.8)")
