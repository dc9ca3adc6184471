"""What the harness costs on cells of one megapixel: ``python tests/speed/bench_overhead.py``.

Overhead = (B - W) / W in per cent.

B is the whole command ``stacktruth bench SUITE --out NEW --workers 1``, from the start of its
interpreter to its end, with all its processes: imports, planning, keys, writing and reading stacks,
processes of methods from files, outputs, rows, tables.

W is the work itself, in one fresh process, from when everything is imported, and nothing is
written or read: each frame and the truth are rendered, each method is called on the frames in
memory, each result is scored.

Given for wall time (where the machine is idle) and for CPU time (where it is not). The two are
measured in turn, and the median over the rounds counts. Aim: at most 5 %.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from stacktruth.runners.bench import load_suite
from stacktruth.runners.bench.grid.cells import Cell, by_stack, cells_of
from stacktruth.runners.contract import Outcome
from stacktruth.runners.isolate.child import call_guarded, load_function
from stacktruth.runners.isolate.run import run_method
from stacktruth.runners.judge.memory_stack import MemoryStack
from stacktruth.runners.judge.scoring import Judge
from stacktruth.runners.judge.true_stages import StackTruth

ROOT = Path(__file__).resolve().parents[2]
SUITE = """
scenes = ["ramp", "snail-shell"]
methods = ["oracle", "focus-map", "laplacian-pyramid", "mean", "FILE:merge"]
frames = {frames}
crop = [{side}, {side}]
time_limit_s = 600.0
"""
METHOD = """
import numpy as np
from scipy import ndimage

def merge(frames, info):
    best, image = None, None
    for frame in frames:
        grey = frame.mean(axis=2, dtype=np.float32)
        sharp = ndimage.uniform_filter(ndimage.laplace(grey) ** 2, 9)
        if best is None:
            best, image = sharp, frame.copy()
        image[sharp > best] = frame[sharp > best]
        best = np.maximum(best, sharp)
    return image
"""


def alone(suite: Path) -> list[float]:
    """Return wall and CPU time of the work itself, s, from a fresh process."""
    argv = [sys.executable, __file__, "--work", str(suite)]
    environment = dict(os.environ)
    ran = subprocess.run(argv, env=environment, check=True, capture_output=True, text=True)
    return [float(word) for word in ran.stdout.split()]


def work(cells: Sequence[Cell]) -> None:
    """Do cells with nothing around them, as the benchmark orders them."""
    for group in by_stack(cells).values():
        stack = MemoryStack(replace(group[0].stack.shoot, encoding="srgb16"))
        judge = Judge(stack)
        for cell in group:
            outcome = called(judge, cell)
            method = cell.method
            scored = judge.score(outcome, name=method.name, kind=method.kind)
            assert scored.truth is not None, outcome.reason


def called(judge: Judge, cell: Cell) -> Outcome:
    """Return what a method makes of frames in memory."""
    stack = judge.stack
    if cell.method.kind == "python":
        function = load_function(cell.method.spec)
        made = call_guarded(lambda: function(stack.frames, stack.info), stack.info)
        status, reason, result, seconds = made
        return Outcome(status=status, reason=reason, result=result, seconds=seconds)
    truth = StackTruth(stack.shoot, judge.truth(), stack.frames)
    return run_method(cell.method, stack.frames, stack.info, truth=truth)


def bench(suite: Path, out: Path) -> None:
    """Run the command."""
    argv = [sys.executable, "-m", "stacktruth.runners.cli", "bench", str(suite), "--out", str(out)]
    environment = dict(os.environ)
    subprocess.run(argv, env=environment, check=True, capture_output=True)


def cost(of: Callable[[], None]) -> tuple[float, float]:
    """Return wall and CPU time, s, of this process and of all it waited for."""
    start = time.perf_counter(), cpu_s()
    of()
    return time.perf_counter() - start[0], cpu_s() - start[1]


def cpu_s() -> float:
    """Return CPU time so far, s."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def main() -> None:
    """Print each round, and the medians."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--side", type=int, default=1024, help="pixels per side")
    parser.add_argument("--frames", type=int, default=10)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--work", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.work:
        cells = cells_of(load_suite(asked.work))
        print(*cost(lambda: work(cells)))
        return
    found = []
    with tempfile.TemporaryDirectory() as place:
        method = Path(place) / "mine.py"
        method.write_text(METHOD)
        suite = Path(place) / "overhead.toml"
        text = SUITE.format(frames=asked.frames, side=asked.side)
        suite.write_text(text.replace("FILE", str(method)))
        for number in range(asked.rounds):
            bare = alone(suite)
            whole = cost(lambda: bench(suite, Path(place) / f"out-{number}"))  # noqa: B023
            over = [100 * (b - w) / w for b, w in zip(whole, bare, strict=True)]
            found.append(over)
            print(
                f"work {bare[0]:.1f} s ({bare[1]:.1f} s CPU), "
                f"bench {whole[0]:.1f} s ({whole[1]:.1f} s CPU): "
                f"overhead {over[0]:.1f} % ({over[1]:.1f} % CPU)",
                flush=True,
            )
    wall, cpu = (statistics.median(column) for column in zip(*found, strict=True))
    print(f"median overhead: {wall:.1f} % of wall time, {cpu:.1f} % of CPU time (aim: 5 %)")


if __name__ == "__main__":
    main()
