"""Time that ``stacktruth plan`` takes to answer: ``python tests/speed/plan_time.py``.

Each plan runs in a process of its own, as from the shell, several times in turn. Wall time is
best and median; CPU time (user and system) is the least, for what else runs only adds to it.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import time
from statistics import median

#: Plans of several kinds: the usual one, wind, a flash that waits, a support.
PLANS = {
    "kneeling": ["--stance", "kneeling"],
    "in a breeze": ["--stance", "in-hand-stem", "--subject", "light-breeze"],
    "standing, waiting for the flash": ["--stance", "standing", "--light", "flash-quarter"],
    "on a support": ["--stance", "stepped"],
}


def timed(options: list[str]) -> tuple[float, float]:
    """Return wall and CPU time of one plan, s."""
    asked = ["plan", "--rig", "field-2x", "--subject-depth", "2", *options]
    command = [sys.executable, "-m", "stacktruth.runners.cli", *asked]
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    wall_s, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print the times of each plan."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--rounds", type=int, default=5)
    rounds = range(parser.parse_args().rounds)
    for name, options in PLANS.items():
        walls, cpus = zip(*(timed(options) for _ in rounds), strict=True)
        print(
            f"{name}: {min(walls):.1f} s at best, {median(walls):.1f} s median; "
            f"{min(cpus):.1f} s of CPU"
        )


if __name__ == "__main__":
    main()
