"""Two workers against one over a suite of cells: ``python tests/speed/bench_workers.py``.

The same command line with ``--workers 1`` and ``--workers 2``, in turn, each in a fresh folder,
from start to end: interpreters, planning and tables are counted on both sides. Stacks are alike
(one scene, several seeds), so neither worker waits for the other but at the end. Wall time, so it
means something only where two cores are idle. Aim: at least 1.8.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SUITE = """
scenes = ["snail-shell"]
seeds = {seeds}
methods = ["focus-map", "laplacian-pyramid", "mean"]
frames = {frames}
crop = [{side}, {side}]
"""


def wall_s(suite: Path, out: Path, workers: int) -> float:
    """Return the wall time of a whole run of the command."""
    argv = [sys.executable, "-m", "runners.cli", "bench", str(suite), "--out", str(out)]
    start = time.perf_counter()
    subprocess.run([*argv, "--workers", str(workers)], cwd=ROOT, check=True, capture_output=True)
    return time.perf_counter() - start


def main() -> None:
    """Print each round, and the median of the ratios."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--side", type=int, default=768, help="pixels per side")
    parser.add_argument("--frames", type=int, default=8)
    parser.add_argument("--stacks", type=int, default=8, help="an even number")
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    ratios = []
    with tempfile.TemporaryDirectory() as place:
        suite = Path(place) / "alike.toml"
        seeds = list(range(1, asked.stacks + 1))
        suite.write_text(SUITE.format(seeds=seeds, frames=asked.frames, side=asked.side))
        for number in range(asked.rounds):
            one, two = (wall_s(suite, Path(place) / f"{number}-{n}", n) for n in (1, 2))
            ratios.append(one / two)
            print(f"one worker {one:.1f} s, two {two:.1f} s: {ratios[-1]:.2f} times", flush=True)
    print(f"median: {statistics.median(ratios):.2f} times as fast with two (aim: 1.8)")


if __name__ == "__main__":
    main()
