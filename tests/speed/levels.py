"""Price of the levels of quality, in fast frames: ``python tests/speed/levels.py``.

Noise-free frames of each scene in the size of the suites, in focus at a quarter, at half and at
three quarters of what is seen of its depth. All levels in one process, on one thread, in turn; of
each frame the least CPU time counts, once its bases are made. A level's price is the time of the
scene's frames over that of the same at the fast level.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from timing import cpu_s

from stacktruth.simulator import load_rig, load_scene, render_view
from stacktruth.simulator.compositing.levels import LEVELS
from stacktruth.simulator.compositing.render import view_depth
from stacktruth.simulator.data import list_data_files
from stacktruth.simulator.pose import Pose

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "references"))

from page import as_table, fill

#: Shares of what is seen of a scene that are nearer than the plane of focus.
_NEARER = (0.25, 0.5, 0.75)


def prices(name: str, *, crop: tuple[int, int], bin: int, rounds: int) -> list[float]:
    """Return the CPU time of a scene's frames at each level."""
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    depth = view_depth(scene, rig, crop=crop, bin=bin)
    poses = [Pose(z_mm=float(z)) for z in np.nanquantile(depth, _NEARER)]
    times = np.full((rounds + 1, len(LEVELS), len(poses)), np.inf)
    for turn, (number, quality), (at, pose) in (
        (turn, level, pose)
        for turn in range(rounds + 1)
        for level in enumerate(LEVELS)
        for pose in enumerate(poses)
    ):

        def frame() -> object:
            return render_view(scene, rig, pose=pose, crop=crop, bin=bin, quality=quality)  # noqa: B023

        times[turn, number, at] = cpu_s(frame)
    # Bases are made in the first turn.
    return list(times[1:].min(axis=0).sum(axis=1))


def main() -> None:
    """Print the price of each level for each scene."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("scenes", nargs="*", help="all that are shipped unless named")
    parser.add_argument("--crop", type=int, nargs=2, default=(3072, 2048), metavar="PX")
    parser.add_argument("--bin", type=int, default=8, help="real pixels merged per side")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--page", type=Path, help="put the table into this page as well")
    asked = parser.parse_args()
    found = {}
    for name in asked.scenes or list_data_files("scene"):
        times = prices(name, crop=tuple(asked.crop), bin=asked.bin, rounds=asked.rounds)
        found[name] = np.array(times) / times[0]
        shown = ", ".join(f"{level} {x:.2f}" for level, x in zip(LEVELS, found[name], strict=True))
        print(f"{name}: fast {times[0] / len(_NEARER) * 1e3:.0f} ms a frame; {shown}", flush=True)
    every = np.array(list(found.values()))
    rows = {f"`{name}`": price for name, price in found.items()}
    rows |= {"*median*": np.median(every, axis=0), "*most*": every.max(axis=0)}
    head = ["scene", *LEVELS]
    table = as_table(head, [[n, *(f"{x:.1f}" for x in price)] for n, price in rows.items()])
    print(table)
    if asked.page:
        fill(asked.page, "prices", table)


if __name__ == "__main__":
    main()
