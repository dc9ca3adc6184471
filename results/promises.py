"""Whether plans keep what they promise, on settings drawn at random.

Usage: ``python results/promises.py [--settings N] [--tries N] [--workers N] [--out DIR]`` plans
each setting, shoots what is advised with the simulator, compares it with the unplanned pass, prints
the table, and writes ``settings.csv``, ``calibration.csv`` and ``figure.png``. It ends with 1 if a
promise is broken: a bin of promised chances is kept more than three points more or less often, or a
plan is worse than none by more than luck explains. ``python results/remake.py promises`` does the
same with all cores, and stamps it.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from stacktruth.runners.csv_text import write_rows
from stacktruth.runners.plan.trial.summary import (
    calibration,
    failures,
    trial_figure,
    trial_words,
)
from stacktruth.runners.plan.trial.trial import try_settings

FOLDER = Path(__file__).resolve().parent / "promises"
#: Published: settings, and shoots of each.
SETTINGS, TRIES = 200, 40


def try_promises(
    out: Path, *, settings: int, tries: int, workers: int, first: int = 0
) -> list[str]:
    """Try settings, write what was found, print it, and return what is broken."""
    numbers = range(first, first + settings)
    rows = try_settings(numbers, tries=tries, workers=workers, progress=True)
    out.mkdir(parents=True, exist_ok=True)
    write_rows(out / "settings.csv", rows.round(5))
    write_rows(out / "calibration.csv", calibration(rows).round(5))
    trial_figure(rows).savefig(out / "figure.png", dpi=110)
    print("\n".join(trial_words(rows)))
    return failures(rows)


def _main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--settings", type=int, default=SETTINGS, metavar="N")
    parser.add_argument("--tries", type=int, default=TRIES, metavar="N", help="shoots of each")
    parser.add_argument("--first", type=int, default=0, metavar="N", help="number of the first")
    parser.add_argument("--workers", type=int, default=1, metavar="N")
    parser.add_argument("--out", type=Path, default=FOLDER, metavar="DIR")
    args = parser.parse_args()
    how = {name: getattr(args, name) for name in ("settings", "tries", "first", "workers")}
    return 1 if try_promises(args.out, **how) else 0


if __name__ == "__main__":
    sys.exit(_main())
