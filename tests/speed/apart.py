"""What a machine's cores are worth together: ``python tests/speed/apart.py [--workers N ...]``.

Each of some processes draws frames of its own, and none waits for another or shares anything but
the machine: as many times as fast as one as all of them are together, so much work that is shared
out can be at the most. Where threads of one core count as cores, or memory is what they wait for,
it is less than their number.
"""

from __future__ import annotations

import argparse
import statistics
from collections.abc import Sequence
from concurrent.futures import Future
from functools import partial

from timing import add_worker_options, wall_s

from stacktruth.simulator import load_rig, load_scene, render_view
from stacktruth.simulator.processes import Processes, processes

_SCENE, _SIDE = "snail-shell", 1024
#: Frames one after another: of those of all processes, only the middle ones have all others beside.
_FRAMES = 5


def frames_s() -> list[float]:
    """Return how long each of some frames takes here."""
    scene = load_scene(_SCENE)
    frame = partial(render_view, scene, load_rig(scene.rig), crop=(_SIDE, _SIDE), quality="fast")
    return [wall_s(frame) for _ in range(_FRAMES)]


def middle_s(pool: Processes, count: int) -> float:
    """Return what a frame takes with so many processes at work, s."""
    asked: list[Future[list[float]]] = [pool.submit(frames_s) for _ in range(count)]
    return statistics.median(one for job in asked for one in job.result()[1:-1])


def times_together(counts: Sequence[int]) -> dict[int, float]:
    """Return how many times as fast as one so many processes are together, by their number."""
    with processes(max(counts)) as pool:
        middle_s(pool, max(counts))  # each has loaded what it needs, and made its tables
        alone = middle_s(pool, 1)
        return {count: count * alone / middle_s(pool, count) for count in counts}


def main() -> None:
    """Print what they come to."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    add_worker_options(parser)
    for count, times in times_together(parser.parse_args().workers).items():
        print(f"{count} processes that share nothing: {times:.2f} times as fast as one")


if __name__ == "__main__":
    main()
