"""What a render by several workers is made of: ``python tests/speed/worker_parts.py [SCENE]``.

One process does a shoot's pieces in the order in which several would begin them, and each is noted
with its CPU time; so are the start of a process, what its first pieces take more than later ones
(tables, textures, kernels), and what the process that shares the work out does alone, before the
first piece and after the last. From these it is laid out what ``--workers`` would take, each on a
core of its own, against one that does all of them. CPU times hold on a busy machine with few cores;
of memory that many cores share they know nothing. `render_workers.py` measures what comes of it.

Frames are much alike: some are noted (``--noted``), each of the others takes the mean of those.
"""

from __future__ import annotations

import argparse
import heapq
import statistics
import tempfile
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from render_workers import planned
from timing import cpu_s

from stacktruth.ground.memory import keep_freed_memory
from stacktruth.ground.stand_by import stand_by
from stacktruth.runners.cli import LOADED
from stacktruth.simulator import Shoot
from stacktruth.simulator.processes import processes
from stacktruth.simulator.stack.frameio import frame_format
from stacktruth.simulator.stack.manifest import prepare_manifest
from stacktruth.simulator.stack.pieces import Piece, StackJob
from stacktruth.simulator.stack.stackwrite import complete
from stacktruth.simulator.steps import Step, StepQueue, carry_out


@dataclass(frozen=True)
class Timed:
    """A step's work, that tells beside what it gives how much CPU time it took.

    Parameters
    ----------
    do : callable
    """

    do: Callable[..., Any]

    def __call__(self, *given: Any) -> tuple[Any, float]:
        """Do it."""
        start = time.process_time()
        made = self.do(*(one for one, _ in given))
        return made, time.process_time() - start


@dataclass(kw_only=True)
class Parts:
    """What a shoot takes a process of a pool, in CPU time.

    Parameters
    ----------
    start_s : float
        A process, until it can work.
    pieces : dict of Piece to float
    first_s : dict of str to float
        By how much more the first piece of a kind took than the others; of those kinds where a
        process has to make what it needs.
    end_s : float
        After the last piece, of the process that shares out.
    """

    start_s: float = 0.0
    pieces: dict[Piece, float] = field(default_factory=dict)
    first_s: dict[str, float] = field(default_factory=dict)
    end_s: float = 0.0

    def of(self, what: str) -> list[float]:
        """Return the times of one kind of pieces, in the order in which they were done."""
        return [took for piece, took in self.pieces.items() if piece.what == what]

    def like(self, piece: Piece) -> float:
        """Return what a piece takes a process that has done one of its kind."""
        others = self.of(piece.what)
        if piece.what in self.first_s:
            others = others[1:]
        first = next(one for one in self.pieces if one.what == piece.what)
        known = piece in self.pieces and not (piece == first and piece.what in self.first_s)
        return self.pieces[piece] if known else statistics.mean(others)


def job_in(folder: Path, plan: Shoot) -> StackJob:
    """Return a shoot's job in a folder, with its inner folders."""
    how = frame_format("tiff16")
    for part in ("frames", "truth", "pieces"):
        (folder / part).mkdir()
    return StackJob(replace(plan, encoding=how.encoding), folder, folder / "pieces", how)


def parts_of(plan: Shoot) -> Parts:
    """Note what a process of a pool takes for all pieces of a shoot, from its start on."""
    parts = Parts()
    with tempfile.TemporaryDirectory() as place, processes(1, start=keep_freed_memory) as pool:
        job = job_in(Path(place), plan)
        parts.start_s = pool.submit(time.process_time).result()
        steps = [replace(step, do=Timed(step.do)) for step in job.steps(shared=True)]
        facts = {}
        for step, (made, took) in carry_out(steps, pool=pool):
            parts.pieces[step.name[1]] = took
            facts |= made
        prepare_manifest()
        parts.end_s = cpu_s(lambda: complete(job, facts))
    for what in ("achievable", "drawn"):
        first, *others = parts.of(what)
        parts.first_s[what] = first - statistics.median(others)
    return parts


def alone_s(steps: list[Step], parts: Parts) -> float:
    """Return the CPU time of one process that does all steps itself, and has none to start."""
    pieces = sum(parts.like(step.name[1]) for step in steps)
    return pieces + sum(parts.first_s.values()) + parts.end_s


def laid_out_s(steps: list[Step], parts: Parts, workers: int) -> tuple[float, float]:
    """Return when the last of some steps would end, and for how long the processes did nothing.

    Parameters
    ----------
    steps : list of Step
        Of the shoot.
    parts : Parts
    workers : int
        Processes with a core each, which all start at 0.
    """
    queue, handed = StepQueue(steps), deque[Step]()
    idle = [(parts.start_s, number) for number in range(workers)]
    busy: list[tuple[float, int, Step]] = []
    new: dict[int, set[str]] = {number: set(parts.first_s) for number in range(workers)}
    now = worked = 0.0
    while True:
        while len(busy) + len(handed) <= workers and (taken := queue.take()) is not None:
            handed.append(taken[0])
        while handed and idle:
            free_s, number = heapq.heappop(idle)
            step = handed.popleft()
            took = parts.like(step.name[1])
            if step.name[1].what in new[number]:
                new[number].remove(step.name[1].what)
                took += parts.first_s[step.name[1].what]
            worked += took
            heapq.heappush(busy, (max(free_s, now) + took, number, step))
        if not busy:
            return now, workers * (now - parts.start_s) - worked
        now, number, step = heapq.heappop(busy)
        heapq.heappush(idle, (now, number))
        queue.done(step, None)


def main() -> None:
    """Print the parts, and what is to be expected of them."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("scene", nargs="?", default="snail-shell")
    parser.add_argument("--side", type=int, default=2510, help="pixels per side")
    parser.add_argument("--frames", type=int, default=16)
    parser.add_argument("--noted", type=int, default=3, help="frames that are rendered")
    parser.add_argument("--workers", nargs="+", type=int, default=[2, 4, 8, 16])
    parser.add_argument("--afresh", action="store_true", help="no process stands by")
    asked = parser.parse_args()
    if not asked.afresh:
        stand_by(*LOADED["render"])
    parts = parts_of(planned(asked.scene, side=asked.side, frames=asked.noted))
    print(f"a process starts {parts.start_s:.2f} s, after the last piece {parts.end_s:.2f} s")
    for what in dict.fromkeys(piece.what for piece in parts.pieces):
        more = f", the first {parts.first_s[what]:.2f} s more" if what in parts.first_s else ""
        times = [parts.like(piece) for piece in parts.pieces if piece.what == what]
        print(f"{what:12}{len(times):3}  {statistics.mean(times):.2f} s{more}")
    with tempfile.TemporaryDirectory() as place:
        whole = planned(asked.scene, side=asked.side, frames=asked.frames)
        steps = list(job_in(Path(place), whole).steps(shared=True))
    alone = alone_s(steps, parts)
    print(f"one process: {alone:.1f} s")
    for workers in asked.workers:
        last_s, idle_s = laid_out_s(steps, parts, workers)
        times = alone / (last_s + parts.end_s)
        print(
            f"{workers} workers: {last_s + parts.end_s:.1f} s, {times:.2f} times as fast; "
            f"{idle_s / workers:.2f} s idle each"
        )


if __name__ == "__main__":
    main()
