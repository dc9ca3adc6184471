"""Two workers against one over a suite of cells: ``python tests/speed/bench_workers.py``.

The same command line with ``--workers 1`` and ``--workers 2``, in turn, each in a fresh folder,
from start to end: interpreters, planning and tables are counted on both sides. Stacks are alike
(one scene, several seeds), so neither worker waits for the other but at the end. Wall time, so it
means something only where two cores are idle. Aim: at least 1.8.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from timing import compare_workers

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
        subprocess.run([*argv, *how], cwd=ROOT, check=True, capture_output=True)


def main() -> None:
    """Print each round, and the median of the ratios."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--side", type=int, default=768, help="pixels per side")
    parser.add_argument("--frames", type=int, default=8)
    parser.add_argument("--stacks", type=int, default=8, help="an even number")
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        suite = Path(place) / "alike.toml"
        seeds = list(range(1, asked.stacks + 1))
        suite.write_text(SUITE.format(seeds=seeds, frames=asked.frames, side=asked.side))
        compare_workers(lambda workers: run(suite, workers), rounds=asked.rounds)


if __name__ == "__main__":
    main()
