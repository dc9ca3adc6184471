"""Price of the levels of quality, in fast frames: ``python tests/speed/levels.py``.

Noise-free frames of each scene in the size of the suites, in focus at a quarter, at half and at
three quarters of what is seen of its depth; exact ones, which are slow, at half alone. Each scene
in one process, on one thread; a frame is made again until that took two seconds, and the least
CPU time counts. A level's price is the time of its frames over that of the same at the fast level.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, as_completed
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd
from timing import cpu_s

from stacktruth.simulator import load_rig, load_scene, render_view
from stacktruth.simulator.compositing.levels import LEVELS
from stacktruth.simulator.compositing.render import view_depth
from stacktruth.simulator.data import list_data_files
from stacktruth.simulator.pose import Pose

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "references"))

from doc_tables import as_table, fill

#: Shares of what is seen of a scene that are nearer than the plane of focus.
_NEARER = {"fast": (0.25, 0.5, 0.75), "true": (0.25, 0.5, 0.75), "exact": (0.5,)}
#: A frame is made no more than so often, nor again after so long.
_MOST_ROUNDS, _ENOUGH_S = 4, 2.0


def least_s(work: Callable[[], object]) -> float:
    """Return the least CPU time of some calls."""
    times = [cpu_s(work)]
    while len(times) < _MOST_ROUNDS and sum(times) < _ENOUGH_S:
        times.append(cpu_s(work))
    return min(times)


def prices(name: str, *, crop: tuple[int, int], bin: int) -> dict[str, float]:
    """Return the fast frames' CPU time, s, and each level's price in them."""
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    depth = view_depth(scene, rig, crop=crop, bin=bin)

    def time_of(quality: str, nearer: float) -> float:
        pose = Pose(z_mm=float(np.nanquantile(depth, nearer)))
        return least_s(
            lambda: render_view(scene, rig, pose=pose, crop=crop, bin=bin, quality=quality)
        )

    time_of("fast", 0.5)  # makes the textures
    fast = {nearer: time_of("fast", nearer) for nearer in _NEARER["fast"]}
    found = {"fast_s": float(np.mean(list(fast.values()))), "fast": 1.0}
    for level in list(LEVELS)[1:]:
        own = [time_of(level, nearer) for nearer in _NEARER[level]]
        found[level] = sum(own) / sum(fast[nearer] for nearer in _NEARER[level])
    return found


def as_page(table: pd.DataFrame) -> str:
    """Return the prices as a table of a documentation page."""
    columns = ["fast_s", *LEVELS]
    rows = [[f"`{row.scene}`", *(f"{row[c]:.2g}" for c in columns)] for _, row in table.iterrows()]
    for word, values in (("median", table[columns].median()), ("most", table[columns].max())):
        rows.append([f"*{word}*", "", *(f"{values[level]:.2g}" for level in LEVELS)])
    return as_table(["scene", "s a fast frame", *LEVELS], rows)


def main() -> None:
    """Print the price of each level for each scene."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("scenes", nargs="*", help="all that are shipped unless named")
    parser.add_argument("--crop", type=int, nargs=2, default=(3072, 2048), metavar="PX")
    parser.add_argument("--bin", type=int, default=8, help="real pixels merged per side")
    parser.add_argument("--jobs", type=int, default=1, help="scenes measured side by side")
    parser.add_argument("--csv", type=Path, help="write the prices there as well")
    parser.add_argument("--page", type=Path, help="put the table into this page as well")
    asked = parser.parse_args()
    rows = []
    work = partial(prices, crop=tuple(asked.crop), bin=asked.bin)
    with ProcessPoolExecutor(asked.jobs, mp_context=get_context("spawn")) as pool:
        names = asked.scenes or list_data_files("scene")
        for done in as_completed(found := {pool.submit(work, name): name for name in names}):
            rows.append({"scene": found[done], **done.result()})
            print(", ".join(f"{k} {v:.2f}" if k != "scene" else v for k, v in rows[-1].items()))
            sys.stdout.flush()
            table = pd.DataFrame(rows).sort_values("scene")
            if asked.csv:
                table.round(3).to_csv(asked.csv, index=False)
    print(as_page(table))
    if asked.page:
        fill(asked.page, "prices", as_page(table))


if __name__ == "__main__":
    main()
