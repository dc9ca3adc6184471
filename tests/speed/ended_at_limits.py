"""How long unruly programs outlive their limit: ``python -m tests.speed.ended_at_limits``.

For each program, the seconds from its start to the return of `supervise`. The aim is two seconds
beyond its limit: that of time is 0.5 s here, and any other is overrun within a second.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from stacktruth.runners.isolate.isolation import best_isolation
from tests.runners.test_supervise import EATING, FILLING, FLOODING, FORKING, HUNG, run
from tests.speed.timing import wall_s

PROGRAMS = {
    "hung": (HUNG, {"time_s": 0.5}),
    "eating": (EATING, {"memory_mb": 150.0}),
    "forking": (FORKING, {"processes": 60}),
    "filling": (FILLING, {"disk_mb": 50.0}),
    "flooding": (FLOODING, {"disk_mb": 50.0}),
}


def main() -> None:
    """Print a line for each program."""
    prefix = best_isolation().prefix
    for name, (code, limits) in PROGRAMS.items():
        with tempfile.TemporaryDirectory() as place:
            seconds = wall_s(lambda: run(code, Path(place), prefix, **limits))  # noqa: B023
        print(f"{name:10s} {seconds:5.2f} s", flush=True)


if __name__ == "__main__":
    main()
