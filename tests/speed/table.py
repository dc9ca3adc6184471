"""The whole speed table in one command: ``python tests/speed/table.py [--out results/speed]``.

Each line is a ratio, so that machines can be compared: CPU time of one process on one thread
against CPU time of another work in the same process, in turn; for workers, wall time against that
of one worker, which means something only where so many cores are idle. Beside it stands the aim,
and what as many processes come to that share nothing (`apart.py`): no machine's cores are as many
times as fast as one.
First come the lines of CPU time and the curves (`curves.py`), ``--jobs`` of them side by side,
then the lines of workers, alone.

The benchmark of the workers is short: some 45 s of CPU time with one, so that it can be measured
with several numbers of them in minutes. The start of the command and of its processes, some
seconds, weighs all the more, so its aim is not for so short a one; ``--stacks 320`` tells what a
long benchmark gains.

With ``--out`` the table, the curves, a figure of them and what it ran on are kept; ``--only``
measures again some of it, or with nothing behind it none, and takes the rest from there.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import platform
import statistics
import sys
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd
from apart import times_together
from bench_workers import SUITE, run
from curves import CURVES, curves_figure, in_convolutions, measured
from judge_cost import judged
from levels import least_s, prices
from render_workers import write
from timing import cpu_s, times_with

from stacktruth.ground.stand_by import stand_by
from stacktruth.runners.bench.running.run import environment
from stacktruth.runners.cli import LOADED
from stacktruth.runners.judge.memory_stack import MemoryStack
from stacktruth.runners.methods import built_in
from stacktruth.simulator import Shoot, load_rig, load_scene, render_view
from stacktruth.simulator.processes import usable_cores
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.stack.manifest import pretty_json

_COLUMNS = ["what", "measured", "unit", "aim", "at_least"]
#: What is measured, each kept in a file of its own.
_KINDS = ["lines", "tracer", "curves", "apart", "render", "bench"]
#: Those of workers, and how the table names them.
_WORKS = {
    "apart": "frames that share nothing, by",
    "render": "render with",
    "bench": "bench with",
}


@dataclass(frozen=True, kw_only=True)
class Line:
    """A line of the table.

    Parameters
    ----------
    what : str
    unit : str
    aim : float or None
        None where none was set.
    at_least : bool
        Whether the aim is a floor, not a ceiling.
    measure : callable
        Returns the number.
    """

    what: str
    unit: str
    aim: float | None = None
    at_least: bool = False
    measure: Callable[[], float]

    def row(self, value: float) -> list[object]:
        """Return the line as a row of the table."""
        return [self.what, round(value, 3), self.unit, self.aim, self.at_least]


def convolutions(name: str, side: int) -> float:
    """Return a fast frame of real pixels in convolutions."""
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    return in_convolutions(
        lambda: render_view(scene, rig, crop=(side, side), quality="fast"), side, rounds=3
    )


def price(name: str, level: str) -> float:
    """Return a level's frame in fast frames, in the size of the quick suite."""
    return prices(name, crop=(3072, 2048), bin=8)[level]


def a_shoot(name: str, side: int, *, bin: int = 1, frames: int = 6) -> Shoot:
    """Return a hand-held shoot."""
    scene = load_scene(name)
    how = {"stance": "braced", "light": "flash-sixteenth", "frames": frames}
    return shoot(scene, load_rig(scene.rig), **how, crop=(side * bin, side * bin), bin=bin)


def as_shot(name: str, bin: int) -> float:
    """Return a frame with hands, smear and sensor over its plain view."""
    plan = a_shoot(name, 480, bin=bin)
    middle = plan.reference
    plain = partial(
        render_view, plan.scene, plan.rig, pose=plan.records[middle].pose, crop=plan.crop, bin=bin,
        quality=plan.quality,
    )  # fmt: skip
    plain()
    return least_s(lambda: plan.frame(middle)) / least_s(plain)


def merged_pixel(name: str, bin: int) -> float:
    """Return a merged pixel of the result over a real one, fast frames of one size."""
    scene = load_scene(name)
    rig = load_rig(scene.rig)

    def time_of(merged: int) -> float:
        work = partial(render_view, scene, rig, crop=(480 * merged,) * 2, bin=merged)
        work(quality="fast")
        return least_s(lambda: work(quality="fast"))

    return time_of(bin) / time_of(1)


def truth_over_frame(name: str) -> float:
    """Return the truth of a stack over one of its frames."""
    plan = a_shoot(name, 640)
    plan.frame(0)
    return least_s(plan.truth) / least_s(lambda: plan.frame(plan.reference))


def against_opencv() -> float:
    """Return align and merge over the same of OpenCV's calls."""
    try:
        from against_opencv import both_s  # OpenCV is among the test packages alone
    except ImportError:
        return float("nan")
    ours, theirs = both_s("ramp", frames=12, crop=(1536, 1024), rounds=2)
    return ours / theirs


def wavelet_over_pyramid() -> float:
    """Return the wavelet over the pyramid on 22 frames of 0.29 megapixels."""
    plan = a_shoot("sticky-leaf", 540, frames=22)
    stack = MemoryStack(plan)
    frames = list(stack.frames)
    times = [
        cpu_s(partial(built_in(name), frames, stack.info))
        for name in ("wavelet", "laplacian-pyramid")
    ]
    return times[0] / times[1]


def judging() -> float:
    """Return the CPU seconds that judging one result of 0.4 megapixels takes."""
    return judged("sticky-leaf", rounds=3)[2]


def cpu_lines() -> list[Line]:
    """Return the lines that are measured in CPU time."""
    fouriers, fast, times = "convolutions", "fast frames", "times"
    lines = [
        Line(what=f"fast frame, {name}", unit=fouriers, aim=aim,
             measure=partial(convolutions, name, 1024))
        for name, aim in (("sticky-leaf", 10.0), ("snail-shell", 8.0), ("pickets", None))
    ]  # fmt: skip
    lines += [
        Line(what=f"{level} frame, {name}", unit=fast, aim=aim, measure=partial(price, name, level))
        for level, aim in (("true", 2.5), ("exact", 3.0))
        for name in ("sticky-leaf", "snail-shell", "pickets")
    ]
    lines += [
        Line(what=f"as shot over plain, sticky-leaf, {bin} x {bin}", unit=times, aim=1.3,
             measure=partial(as_shot, "sticky-leaf", bin))
        for bin in (1, 8)
    ]  # fmt: skip
    lines += [
        Line(what=f"merged pixel over real one, {name}, {bin} x {bin}", unit=times, aim=1.5,
             measure=partial(merged_pixel, name, bin))
        for name in ("sticky-leaf", "snail-shell")
        for bin in (4, 8)
    ]  # fmt: skip
    return [
        *lines,
        Line(what="truth over a frame, sticky-leaf", unit="frames", aim=2.0,
             measure=partial(truth_over_frame, "sticky-leaf")),
        Line(what="align and merge over OpenCV's calls", unit=times, aim=1.2,
             measure=against_opencv),
        Line(what="wavelet over pyramid", unit=times, aim=3.0, measure=wavelet_over_pyramid),
        Line(what="judging 0.4 megapixels", unit="s of CPU", aim=2.0, measure=judging),
    ]  # fmt: skip


def workers_table(name: str, counts: list[int], *, side: int, stacks: int) -> pd.DataFrame:
    """Return how many times as fast more workers are.

    Parameters
    ----------
    name : {"apart", "render", "bench"}
        Frames by processes that share nothing, a shoot of 16 frames, or a benchmark of short
        stacks.
    counts : list of int
        Numbers of workers.
    side : int
        Of the frames of the shoot, px; the benchmark's are a sixteenth.
    stacks : int
        Of the benchmark, a multiple of the workers.
    """
    if name == "apart":
        return _times_table(name, times_together(counts))
    plan = a_shoot("snail-shell", side, frames=16)
    stand_by(*LOADED["render"])  # as the command does while it loads its own
    with tempfile.TemporaryDirectory() as place:
        suite = Path(place) / "alike.toml"
        seeds = list(range(1, stacks + 1))
        suite.write_text(SUITE.format(seeds=seeds, frames=3, side=side // 16))
        works = {"render": lambda n: write(plan, n), "bench": lambda n: run(suite, n)}
        found = times_with(works[name], workers=counts, rounds=1)
    return _times_table(name, {count: statistics.median(one) for count, one in found.items()})


def _times_table(name: str, times: dict[int, float]) -> pd.DataFrame:
    return pd.DataFrame(
        {"work": name, "workers": count, "times_as_fast": one} for count, one in times.items()
    )


def _value(number: int) -> float:
    """Return what a line measures; processes are given its number, for its work is no data."""
    return cpu_lines()[number].measure()


def measured_alone(levels: list[str], jobs: int, only: list[str]) -> Iterator[tuple[str, Any]]:
    """Yield ("lines", row) and ("curves", table), some of them worked out side by side."""
    lines = cpu_lines()
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=context) as pool:
        asked = {}
        if "curves" in only:
            curves = [(level, curve) for level in levels for curve in CURVES]
            asked |= {pool.submit(measured, *each): ("curves", None) for each in curves}
        if "lines" in only:
            asked |= {pool.submit(_value, at): ("lines", line) for at, line in enumerate(lines)}
        for done in as_completed(asked):
            kind, line = asked[done]
            yield kind, done.result() if line is None else line.row(done.result())


def tracer_table() -> pd.DataFrame:
    """Return how much longer a path tracer takes for our error; empty where there is none."""
    try:
        from against_path_tracer import CASES, ratio  # Mitsuba is among the test packages alone
    except ImportError:
        return pd.DataFrame(columns=_COLUMNS)
    lines = [
        Line(what=f"path tracer at our error, {name}", unit="times as long", aim=100.0,
             at_least=True, measure=partial(ratio, name))
        for name in CASES
    ]  # fmt: skip
    return pd.DataFrame([line.row(line.measure()) for line in lines], columns=_COLUMNS)


def worker_rows(workers: pd.DataFrame) -> list[list[object]]:
    """Return the rows of the table that say what more workers bring."""
    aims = {("render", 16): 12.0, ("bench", 16): 14.0}
    rows: list[list[object]] = []
    for _, one in workers.iterrows():
        aim = aims.get((one["work"], one["workers"]))
        what = f"{_WORKS[one['work']]} {one['workers']} workers"
        rows.append([what, round(one["times_as_fast"], 2), "times as fast as one", aim, True])
    return rows


def machine(jobs: int) -> dict[str, object]:
    """Return what it ran on."""
    model = [line for line in _cpu_info() if line.startswith("model name")]
    return {
        **environment(jobs),
        "processor": model[0].partition(":")[2].strip() if model else platform.processor(),
        "gpu": "none is used: everything runs on the processor",
    }


def _cpu_info() -> list[str]:
    try:
        return Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return []


def main() -> None:
    """Print the table, and keep it where that is asked for."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--jobs", type=int, default=max(1, usable_cores() // 4))
    parser.add_argument("--workers", type=int, nargs="*", default=None)
    parser.add_argument("--side", type=int, default=2048, help="pixels per side of the shoot")
    parser.add_argument("--stacks", type=int, default=32, help="of the benchmark of the workers")
    parser.add_argument("--quality", nargs="*", default=["fast", "true"], help="levels of curves")
    parser.add_argument("--out", type=Path, help="keep it in this folder")
    parser.add_argument("--only", nargs="*", choices=_KINDS, default=_KINDS, help="leave the rest")
    asked = parser.parse_args()
    os.environ.update({f"{name}_NUM_THREADS": "1" for name in ("OMP", "OPENBLAS", "MKL")})
    tables = alone(asked.quality, asked.jobs, asked.only)
    counts = asked.workers
    if counts is None:
        counts = [count for count in (2, 4, 8, 16) if count <= usable_cores()]
    if "tracer" in asked.only:
        tables["tracer"] = tracer_table()
    for name in [name for name in _WORKS if name in asked.only]:
        tables[name] = workers_table(name, counts, side=asked.side, stacks=asked.stacks)
    if asked.out:
        if tables:
            kept(asked.out, tables, machine(asked.jobs))
        tables = {p.stem: pd.read_csv(p) for p in asked.out.glob("*.csv") if p.stem in _KINDS}
    none = pd.DataFrame(columns=["work", "workers", "times_as_fast"])
    workers = pd.concat([tables.get(name, none) for name in _WORKS], ignore_index=True)
    lines = [tables[name] for name in ("lines", "tracer") if name in tables]
    rows = pd.DataFrame(worker_rows(workers), columns=_COLUMNS)
    table = pd.concat([*lines, rows], ignore_index=True)
    print(table.to_string(index=False))
    if asked.out:
        table.to_csv(asked.out / "table.csv", index=False)
        if "curves" in tables:
            there = asked.out / "curves_gpu.csv"  # by `curves.py --device cuda`
            curves = [tables["curves"], *([pd.read_csv(there)] if there.is_file() else [])]
            figure = curves_figure(pd.concat(curves, ignore_index=True), workers)
            figure.savefig(asked.out / "figure.png", dpi=110)


def alone(levels: list[str], jobs: int, only: list[str]) -> dict[str, pd.DataFrame]:
    """Return the tables of lines and curves, so far as they are asked for, and tell of each."""
    lines, curves = [], []
    for kind, found in measured_alone(levels, jobs, only):
        (lines if kind == "lines" else curves).append(found)
        print(found.to_string() if kind == "curves" else "  ".join(map(str, found)), flush=True)
    tables = {}
    if lines:
        order = [line.what for line in cpu_lines()]
        lines.sort(key=lambda row: order.index(row[0]))
        tables["lines"] = pd.DataFrame(lines, columns=_COLUMNS)
    if curves:
        tables["curves"] = pd.concat(curves, ignore_index=True)
    return tables


def kept(folder: Path, tables: dict[str, pd.DataFrame], ran_on: dict[str, object]) -> None:
    """Write tables, each in a file of its own, and beside it what it was measured on."""
    folder.mkdir(parents=True, exist_ok=True)
    for kind, table in tables.items():
        table.to_csv(folder / f"{kind}.csv", index=False, float_format="%.4g")
        (folder / f"{kind}.json").write_text(pretty_json(ran_on), encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
