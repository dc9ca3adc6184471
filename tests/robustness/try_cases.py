"""Tries broken inputs by number, each within limits of time and memory, and prints the defects.

``python -m tests.robustness.try_cases FIRST LAST [--workers N]`` from the root of the checkout. The
last line says how many were tried, how many are wrong, the longest time, the largest memory, and
how many errors do not say where, what was got, and what is allowed.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import NoReturn

from tests.robustness.fuzz import case, looked_at

LONGEST_S = 30
LARGEST_BYTES = 2_000_000_000
_AT_ONCE = 50


@dataclass(frozen=True, kw_only=True)
class Tried:
    """What came of one case.

    Parameters
    ----------
    number : int
    wrong : str
        Empty: nothing.
    refused : bool
        Whether there was an error.
    seconds : float
    largest_mb : float
        Resident memory of its process, which has read other cases before.
    """

    number: int
    wrong: str
    refused: bool
    seconds: float
    largest_mb: float


def tried(numbers: Sequence[int], folder: Path) -> Iterator[Tried]:
    """Yield what came of each case; a process that dies is its case's defect."""
    left = numbers
    while left:
        told, tells = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(told)
            _work(left, folder, tells)
        os.close(tells)
        with os.fdopen(told, encoding="utf-8") as lines:
            for line in lines:
                yield Tried(number=left[0], **json.loads(line))
                left = left[1:]
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        if left:
            wrong = f"ended with {code} (-14: took more than {LONGEST_S} s)"
            yield Tried(
                number=left[0], wrong=wrong, refused=False, seconds=LONGEST_S, largest_mb=0.0
            )
            left = left[1:]


def _work(numbers: Sequence[int], folder: Path, tells: int) -> NoReturn:
    resource.setrlimit(resource.RLIMIT_DATA, (LARGEST_BYTES, LARGEST_BYTES))
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    for number in numbers:
        signal.alarm(LONGEST_S)
        started = time.perf_counter()
        wrong, error = looked_at(case(number), folder)
        found = {
            "wrong": wrong[:2000],
            "refused": bool(error),
            "seconds": time.perf_counter() - started,
            "largest_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6,
        }
        os.write(tells, f"{json.dumps(found)}\n".encode())
    os._exit(0)


def _some(numbers: Sequence[int]) -> list[Tried]:
    with tempfile.TemporaryDirectory() as place:
        return list(tried(numbers, Path(place)))


def all_tried(numbers: Sequence[int], *, workers: int) -> Iterator[Tried]:
    """Yield what came of each case, from several processes."""
    some = [numbers[first : first + _AT_ONCE] for first in range(0, len(numbers), _AT_ONCE)]
    with ProcessPoolExecutor(workers, mp_context=get_context("fork")) as pool:
        for found in pool.map(_some, some):
            yield from found


def main() -> int:
    """Try all cases and print each defect with its number; return how many there are."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("first", type=int)
    parser.add_argument("last", type=int, help="the first that is not tried")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    asked = parser.parse_args()
    done = []
    for one in all_tried(range(asked.first, asked.last), workers=asked.workers):
        done.append(one)
        if one.wrong:
            print(f"{one.number}: {case(one.number).what}: {one.wrong}", flush=True)
    wrong = sum(bool(one.wrong) for one in done)
    slowest = max(done, key=lambda one: one.seconds)
    print(
        f"fuzz: {len(done)} tried, {wrong} wrong; longest {slowest.seconds:.1f} s "
        f"(case {slowest.number}), largest process {max(one.largest_mb for one in done):.0f} MB; "
        f"{sum(one.refused for one in done)} errors, "
        f"{sum(one.wrong.startswith('does not say') for one in done)} of them without place, got "
        "or allowed"
    )
    return wrong


if __name__ == "__main__":
    sys.exit(bool(main()))
