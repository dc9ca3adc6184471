"""Tries broken inputs by number, each within limits of time and memory, and prints the defects.

``python -m tests.robustness.try_cases FIRST LAST`` from the root of the checkout.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NoReturn

from tests.robustness.fuzz import case, defect

LONGEST_S = 30
LARGEST_BYTES = 2_000_000_000


def tried(numbers: range, folder: Path) -> Iterator[tuple[int, str, float]]:
    """Yield number, defect and seconds of each case; a process that dies is its case's defect."""
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
                found, seconds = json.loads(line)
                yield left[0], found, seconds
                left = left[1:]
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        if left:
            yield left[0], f"ended with {code} (-14: took more than {LONGEST_S} s)", LONGEST_S
            left = left[1:]


def _work(numbers: range, folder: Path, tells: int) -> NoReturn:
    resource.setrlimit(resource.RLIMIT_DATA, (LARGEST_BYTES, LARGEST_BYTES))
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    for number in numbers:
        signal.alarm(LONGEST_S)
        started = time.perf_counter()
        found = defect(case(number), folder)
        line = json.dumps([found[:2000], time.perf_counter() - started])
        os.write(tells, f"{line}\n".encode())
    os._exit(0)


def main(first: int, last: int) -> int:
    """Try all cases and print each defect with its number; return how many there are."""
    defects, slowest = 0, (0.0, -1)
    with tempfile.TemporaryDirectory() as place:
        for number, found, seconds in tried(range(first, last), Path(place)):
            slowest = max(slowest, (seconds, number))
            if found:
                defects += 1
                print(f"{number}: {case(number).what}: {found}", flush=True)
    print(f"{last - first} tried, {defects} defects; longest {slowest[0]:.1f} s ({slowest[1]})")
    return defects


if __name__ == "__main__":
    sys.exit(bool(main(int(sys.argv[1]), int(sys.argv[2]))))
