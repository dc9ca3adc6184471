"""Several workers against one over a suite of cells: ``python tests/speed/bench_workers.py``.

The same command line with ``--workers 1`` and with more, in turn, each in a fresh folder, from
start to end: interpreters, planning and tables are counted on both sides. Stacks are alike (one
scene, several seeds), so no worker waits for another but at the end. With ``--stacks 1`` all share
the work on one. Wall time, so it means something only where so many cores are idle. Aims: at least
1.8 with 2, and 14 with 16.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from timing import add_worker_options, compare_workers

ROOT = Path(__file__).resolve().parents[2]
SUITE = """
scenes = ["snail-shell"]
seeds = {seeds}
methods = ["focus-map", "laplacian-pyramid", "mean"]
frames = {frames}
crop = [{side}, {side}]
"""


def run(suite: Path, workers: int) -> None:
    """Run the command in a folder of its own."""
    with tempfile.TemporaryDirectory() as place:
        argv = [
            sys.executable,
            "-m",
            "stacktruth.runners.cli",
            "bench",
            str(suite),
            "--out",
            f"{place}/out",
        ]
        how = ["--workers", str(workers)]
        ended = subprocess.run([*argv, *how], cwd=ROOT, check=False, capture_output=True, text=True)
        # Frames of some seeds can't be aligned: such cells are done, too.
        if ended.returncode and "cells failed" not in ended.stderr:
            raise RuntimeError(f"bench {suite}: exit status {ended.returncode}\n{ended.stderr}")


def main() -> None:
    """Print each round, and the median of the ratios."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--side", type=int, default=768, help="pixels per side")
    parser.add_argument("--frames", type=int, default=8)
    parser.add_argument("--stacks", type=int, default=8, help="a multiple of the workers")
    add_worker_options(parser)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        suite = Path(place) / "alike.toml"
        seeds = list(range(1, asked.stacks + 1))
        suite.write_text(SUITE.format(seeds=seeds, frames=asked.frames, side=asked.side))
        compare_workers(
            lambda workers: run(suite, workers),
            workers=asked.workers,
            rounds=asked.rounds,
            aims={2: 1.8, 16: 14},
        )


if __name__ == "__main__":
    main()
