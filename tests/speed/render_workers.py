"""Several workers against one over a shoot: ``python tests/speed/render_workers.py [SCENE]``.

Frames and truth are rendered and written, with one process and with more, in turn. Wall time from
the call to the whole folder, so it means something only where so many cores are idle. As in
``stacktruth render``, which starts it while it loads its own, a process stands by, of which the
others are forked; with ``--afresh`` each has to load all it needs, as for a program that calls
`write_stack`. Aims: at least 1.8 with 2, and 12 with 16 over 16 frames of 6.3
megapixels (``--side 2510 --frames 16 --workers 2 4 8 16``).
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from timing import add_worker_options, compare_workers

from stacktruth.ground.stand_by import stand_by
from stacktruth.runners.cli import LOADED
from stacktruth.simulator import Shoot, load_rig, load_scene
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.stack.stackwrite import write_stack


def planned(scene: str, *, side: int, frames: int) -> Shoot:
    """Return a hand-held shoot of real pixels."""
    found = load_scene(scene)
    how = {"stance": "braced", "light": "flash-sixteenth", "frames": frames}
    return shoot(found, load_rig(found.rig), **how, crop=(side, side))


def write(plan: Shoot, workers: int) -> None:
    """Write a stack and throw it away."""
    with tempfile.TemporaryDirectory() as folder:
        write_stack(plan, Path(folder) / "stack", workers=workers, progress=False)


def main() -> None:
    """Print each round, and the median of the ratios."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("scene", nargs="?", default="sticky-leaf")
    parser.add_argument("--side", type=int, default=1536, help="pixels per side")
    parser.add_argument("--frames", type=int, default=15)
    parser.add_argument("--afresh", action="store_true", help="no process stands by")
    add_worker_options(parser)
    asked = parser.parse_args()
    if not asked.afresh:
        stand_by(*LOADED["render"])
    plan = planned(asked.scene, side=asked.side, frames=asked.frames)
    compare_workers(
        lambda workers: write(plan, workers),
        workers=asked.workers,
        rounds=asked.rounds,
        aims={2: 1.8, 16: 12},
    )


if __name__ == "__main__":
    main()
