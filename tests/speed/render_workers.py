"""Two workers against one over a shoot: ``python tests/speed/render_workers.py [SCENE]``.

Frames and truth are rendered and written, with one process and with two, in turn. Wall time from
the call to the whole folder, the start of the processes counted in, so it means something only
where two cores are idle. Aim: at least 1.8.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path

from simulator import Shoot, load_rig, load_scene, shoot
from simulator.stackwrite import write_stack


def wall_s(plan: Shoot, workers: int) -> float:
    """Return the wall time of writing a stack."""
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        write_stack(plan, Path(folder) / "stack", workers=workers, progress=False)
        return time.perf_counter() - start


def main() -> None:
    """Print each round, and the median of the ratios."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("scene", nargs="?", default="sticky-leaf")
    parser.add_argument("--side", type=int, default=1536, help="pixels per side")
    parser.add_argument("--frames", type=int, default=15)
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    scene = load_scene(asked.scene)
    plan = shoot(
        scene,
        load_rig(scene.rig),
        stance="braced",
        light="flash-sixteenth",
        frames=asked.frames,
        crop=(asked.side, asked.side),
    )
    ratios = []
    for _ in range(asked.rounds):
        one, two = (wall_s(plan, workers) for workers in (1, 2))
        ratios.append(one / two)
        print(f"one worker {one:.1f} s, two {two:.1f} s: {ratios[-1]:.2f} times", flush=True)
    print(f"median: {statistics.median(ratios):.2f} times as fast with two (aim: 1.8)")


if __name__ == "__main__":
    main()
