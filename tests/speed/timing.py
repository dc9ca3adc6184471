"""What the commands of this folder share: CPU time, and several workers against one."""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable, Mapping, Sequence

from stacktruth.simulator.processes import usable_cores


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


def add_worker_options(parser: argparse.ArgumentParser) -> None:
    """Add ``--workers`` and ``--rounds``."""
    most = usable_cores()
    parser.add_argument(
        "--workers",
        nargs="+",
        type=int,
        default=[most],
        help=f"held against one (default: {most}, all cores)",
    )
    parser.add_argument("--rounds", type=int, default=3)


def times_with(
    work: Callable[[int], object], *, workers: Sequence[int], rounds: int
) -> dict[int, list[float]]:
    """Do work with one worker and with more, in turn; return how many times as fast each was.

    Parameters
    ----------
    work : callable
        Takes the number of workers.
    workers : sequence of int
    rounds : int

    Returns
    -------
    dict of int to list of float
        The ratio to one worker of each round, by the number of workers.
    """
    ratios: dict[int, list[float]] = {count: [] for count in workers}
    for _ in range(rounds):
        one = wall_s(lambda: work(1))
        print(f"1 worker {one:.1f} s", flush=True)
        for count, found in ratios.items():
            more = wall_s(lambda count=count: work(count))
            found.append(one / more)
            print(f"{count} workers {more:.1f} s: {found[-1]:.2f} times", flush=True)
    return ratios


def compare_workers(
    work: Callable[[int], object], *, workers: Sequence[int], rounds: int, aims: Mapping[int, float]
) -> None:
    """Print the rounds of `times_with`, and the median ratios beside their aims."""
    for count, found in times_with(work, workers=workers, rounds=rounds).items():
        aim = f" (aim: {aims[count]})" if count in aims else ""
        print(f"median: {statistics.median(found):.2f} times as fast with {count}{aim}")
