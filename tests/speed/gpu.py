"""A GPU beside the processor: how far their pictures differ, and how long each takes.

``python tests/speed/gpu.py --out results/speed`` writes ``gpu.csv``, a row for each comparison, and
``gpu.json``, what it was made on. It prints the rows as they come, goes on after what fails, with
the last lines of the traceback, and begins nothing more when its ``--seconds`` are over. Times are
wall times; the processor works in one process, with what threads its libraries take. A picture
comes to the host, so that all work on it is done. ``--device array_api_strict`` tries the command
itself where there is no GPU.
"""

from __future__ import annotations

import argparse
import cProfile
import csv
import io
import json
import os
import platform
import pstats
import subprocess
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from importlib import import_module, metadata
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from stacktruth.simulator import Pose, Rig, load_rig, load_scene, shoot
from stacktruth.simulator.compositing.render import render
from stacktruth.simulator.view.camera import Camera

#: Scenes of few parts and of many, of every kind of part.
SCENES = (
    "snail-shell",
    "sticky-leaf",
    "moss",
    "steps",
    "pickets",
    "arthropod-head:3",
    "dew:3",
    "seed-burr",
)
#: Of few parts, and of many.
FEW, MANY = "snail-shell", "sticky-leaf"
#: Largest difference of a pixel, 1 = white, that the book allows.
ALLOWED = 1e-4
POSE = Pose(x_mm=0.05, y_mm=-0.05, z_mm=0.1, pitch_mrad=2, yaw_mrad=-1, roll_mrad=1)
COLUMNS = (
    "what",
    "scene",
    "quality",
    "width",
    "height",
    "cpu_s",
    "gpu_s",
    "gpu_first_s",
    "largest_difference",
    "share_over_1e-4",
    "note",
)


class Table:
    """Rows that are printed and written as they come."""

    def __init__(self, folder: Path, device: str, seconds: float) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.device, self.failed = device, 0
        self._file = (folder / "gpu.csv").open("w", encoding="utf-8", newline="")
        self._rows = csv.DictWriter(self._file, COLUMNS, lineterminator="\n")
        self._rows.writeheader()
        self._start, self._seconds = time.perf_counter(), seconds

    def row(self, **values: Any) -> None:
        """Add a row."""
        short = {k: f"{v:.4g}" if isinstance(v, float) else v for k, v in values.items()}
        self._rows.writerow(short)
        self._file.flush()
        at = time.perf_counter() - self._start
        print(f"{at:5.0f}", *(f"{k}={v}" for k, v in short.items()), flush=True)

    @property
    def late(self) -> bool:
        """Whether no more is to be begun."""
        return time.perf_counter() - self._start > self._seconds

    @contextmanager
    def trying(self, name: str) -> Iterator[None]:
        """Go on after what fails in this block, and say where it did."""
        try:
            yield
        except Exception as error:
            self.failed += 1
            places = traceback.extract_tb(error.__traceback__)[-5:]
            print(f"FAILED {name}: {type(error).__name__}: {str(error)[:400]}", flush=True)
            print(*(f"  {Path(p.filename).name}:{p.lineno} {p.line}" for p in places), sep="\n")


def timed(work: Callable[[], Any]) -> tuple[Any, float]:
    """Return what a call gives, and the seconds that it takes."""
    start = time.perf_counter()
    made = work()
    return made, time.perf_counter() - start


def picture(name: str, camera: Camera, quality: str, device: str) -> np.ndarray:
    """Render a scene on a device."""
    return render(load_scene(name), camera, focus=(camera,), quality=quality, device=device)


def compare(
    table: Table, what: str, name: str, camera: Camera, quality: str, *, cpu: bool = True
) -> None:
    """Add a row of a picture on both, or on the device alone."""
    if table.late:
        print(f"skipped: {what} {name} {quality}")
        return
    with table.trying(f"{what} {name} {quality}"):
        rows, cols = camera.frame.shape
        found: dict[str, Any] = {"what": what, "scene": name, "quality": quality}
        found |= {"width": cols, "height": rows}
        if cpu:
            here, found["cpu_s"] = timed(lambda: picture(name, camera, quality, "cpu"))
        _, found["gpu_first_s"] = timed(lambda: picture(name, camera, quality, table.device))
        there, found["gpu_s"] = timed(lambda: picture(name, camera, quality, table.device))
        if cpu:
            off = np.abs(here - there)
            found["largest_difference"] = float(off.max())
            found["share_over_1e-4"] = float((off > ALLOWED).mean())
        table.row(**found)


def faulty(rig: Rig) -> Rig:
    """Return a rig whose lens has all faults that a picture can show."""
    lens = replace(
        rig.lens,
        spherical_um=0.3,
        axial_colour_mm=(0.02, 0.0, -0.02),
        field_curvature_per_mm=0.01,
        vignetting_stops=0.7,
    )
    return replace(rig, lens=lens)


def differences(table: Table, names: list[str]) -> None:
    """Compare small pictures, at the levels, and through a faulty lens."""
    for name in names:
        rig = load_rig(load_scene(name).rig)
        compare(table, "whole field", name, Camera(rig, POSE, 0.2, bin=8), "fast")
        compare(table, "at real pixels", name, Camera(rig, POSE, 0.0, (240, 160)), "true")
    rig = load_rig(load_scene(FEW).rig)
    compare(table, "faulty lens", FEW, Camera(faulty(rig), crop=(640, 480), bin=2), "true")
    compare(table, "at real pixels", MANY, Camera(rig, crop=(160, 120)), "exact")


def frames(table: Table) -> None:
    """Compare a frame with its smear and its skew, and the truth."""
    for light in ("flash-sixteenth", "steady-lamp"):
        if table.late:
            return
        with table.trying(f"frame {light}"):
            scene = load_scene(MANY)
            how: dict[str, Any] = {"light": light, "subject": "light-breeze", "quality": "fast"}
            rig = load_rig(scene.rig)
            plan = shoot(scene, rig, frames=4, seed=2, crop=(960, 640), bin=2, **how)
            other = replace(plan, device=table.device)
            off = float(np.abs(plan.exposure(2) - other.exposure(2)).max())
            codes = np.abs(plan.frame(2).image.astype(int) - other.frame(2).image)
            own, its = plan.truth(), other.truth()
            lit = float(np.abs(own.achievable - its.achievable).max())
            table.row(
                what=f"frame, {light}",
                scene=MANY,
                quality="fast",
                width=480,
                height=320,
                largest_difference=max(off, lit),
                note=f"of 65535 codes {codes.max()}, in {(codes > 0).mean():.2g} of the values; "
                f"truth: depth off by {_off(own.depth_mm, its.depth_mm):.2g} mm, "
                f"best frame in {(own.best_frame != its.best_frame).mean():.2g} of the pixels",
            )


def _off(own: np.ndarray, its: np.ndarray) -> float:
    """Return the largest difference of two depths, NaN (nothing there) being alike."""
    off = np.abs(own - its)[~(np.isnan(own) & np.isnan(its))]
    return float(off.max(initial=0.0))


def large(table: Table, bin: int) -> None:
    """Time whole frames at the sensor's own pixels; the processor does one alone."""
    camera = Camera(load_rig(load_scene(FEW).rig), bin=bin)
    compare(table, "whole frame", FEW, camera, "fast")
    compare(table, "whole frame", FEW, camera, "true", cpu=False)
    for name in (MANY, "slanted-edges"):
        camera = Camera(load_rig(load_scene(name).rig), bin=bin)
        compare(table, "whole frame", name, camera, "fast", cpu=False)


def thirty(table: Table, bin: int) -> None:
    """Time thirty whole frames with their smear, before the sensor, and the layers of the truth."""
    if table.late:
        return
    with table.trying("thirty frames"):
        scene = load_scene(FEW)
        plan = shoot(scene, load_rig(scene.rig), frames=30, bin=bin, quality="fast")
        plan = replace(plan, device=table.device)
        rows, cols = plan.camera(0).frame.shape
        said = {"scene": FEW, "quality": "fast", "width": cols, "height": rows}
        _, first = timed(lambda: plan.exposure(0))
        each = []
        while len(each) < 30 and not table.late:
            each.append(timed(lambda: plan.exposure(len(each)))[1])
        note = f"{len(each)} frames, {np.median(each):.3g} s each (median), the first apart"
        found = {"gpu_first_s": first, "gpu_s": sum(each), "note": note}
        table.row(what="frames of a stack", **said, **found)
        view = plan.truth_view()
        for name in ("ideal", "achievable"):  # the third never leaves the host
            if not table.late:
                _, seconds = timed(lambda name=name: view.layer(name))
                table.row(what=f"truth of 30 frames, {name}", **said, gpu_s=seconds)


def command(table: Table, bin: int, workers: int) -> None:
    """Time a command that shoots thirty whole frames: start, sensor, truth and files as well."""
    if table.late or table.device != "cuda":
        return
    with table.trying("command"), TemporaryDirectory() as folder:
        how = f"--frames 30 --bin {bin} --quality fast --device cuda --workers {workers}"
        words = ["render", FEW, *how.split(), "--no-progress", "--out", str(Path(folder) / "made")]
        run = partial(subprocess.run, [sys.executable, "-m", "stacktruth.runners.cli", *words])
        _, seconds = timed(partial(run, check=True, stdout=subprocess.DEVNULL))
        note = f"{workers} processes; with start, sensor, truth and files"
        rows, cols = Camera(load_rig(load_scene(FEW).rig), bin=bin).frame.shape
        said = {"scene": FEW, "quality": "fast", "note": note}
        table.row(what="command, 30 frames", **said, width=cols, height=rows, gpu_s=seconds)


def shared(table: Table, workers: int) -> None:
    """Time stacks of twenty small frames that many processes draw at a time on one device."""
    for name in (FEW, "slanted-edges", MANY):
        if table.late:
            return
        with table.trying(f"shared {name}"), get_context("spawn").Pool(workers) as pool:
            spans = pool.map(partial(_stack, name, table.device), range(workers), chunksize=1)
            # Each says when it began and ended what follows its own start.
            seconds = max(end for _, end in spans) - min(start for start, _ in spans)
            ease = "with" if os.environ.get("CUDA_MPS_PIPE_DIRECTORY") else "without"
            note = (
                f"{workers} stacks by {workers} processes, {ease} the multi-process service: "
                f"{1000 / workers * seconds:.4g} s for 1000"
            )
            said = {"what": "stacks of twenty frames", "scene": name, "quality": "fast"}
            table.row(**said, width=768, height=512, gpu_s=seconds, note=note)


def _stack(name: str, device: str, seed: int) -> tuple[float, float]:
    """Draw the frames of one stack; return when that began, warm, and when it ended."""
    scene = load_scene(name)
    how: dict[str, Any] = {"frames": 20, "crop": (768, 512), "quality": "fast", "seed": seed}
    plan = replace(shoot(scene, load_rig(scene.rig), **how), device=device)
    plan.exposure(0)
    start = time.time()
    for number in range(20):
        plan.exposure(number)
    return start, time.time()


def stacks(table: Table) -> None:
    """Time stacks of ten small frames, as a data set has them."""
    for name in (FEW, "slanted-edges", MANY):
        if table.late:
            return
        with table.trying(f"stack of {name}"):
            scene = load_scene(name)
            plan = shoot(scene, load_rig(scene.rig), frames=10, crop=(768, 512), quality="fast")
            found = {}
            for where, column in (("cpu", "cpu_s"), (table.device, "gpu_s")):
                own = replace(plan, device=where)
                own.exposure(0)
                _, found[column] = timed(lambda own=own: [own.exposure(k) for k in range(10)])
            note = f"{1 / found['gpu_s']:.3g} stacks/s, {1 / found['cpu_s']:.3g} on the processor"
            said = {"what": "stack of ten frames", "scene": name, "quality": "fast", "note": note}
            table.row(**said, width=768, height=512, **found)


def profile(table: Table) -> None:
    """Print where the host's time goes while a device draws a frame of many parts."""
    if table.late:
        return
    with table.trying("profile"):
        camera = Camera(load_rig(load_scene("dew:3").rig), POSE, 0.2, bin=8)
        seen = cProfile.Profile()
        seen.runcall(lambda: picture("dew:3", camera, "fast", table.device))
        text = io.StringIO()
        pstats.Stats(seen, stream=text).sort_stats("tottime").print_stats(22)
        print(*(line[:110] for line in text.getvalue().splitlines() if line.strip()), sep="\n")


def scarce(table: Table, bin: int) -> None:
    """Draw a frame in less memory than it would like, and in none."""
    if table.device != "cuda" or table.late:
        return
    pool = import_module("cupy").get_default_memory_pool()
    camera = Camera(load_rig(load_scene(FEW).rig), bin=bin)
    for limit_gb in (1.0, 0.02):
        with table.trying(f"{limit_gb} GB"):
            pool.free_all_blocks()
            pool.set_limit(size=int(limit_gb * 1e9))
            said = {"what": f"whole frame in {limit_gb} GB", "scene": FEW, "quality": "fast"}
            try:
                made, seconds = timed(lambda: picture(FEW, camera, "fast", table.device))
                table.row(**said, width=made.shape[1], height=made.shape[0], gpu_s=seconds)
            except MemoryError as error:
                table.row(**said, note=str(error)[:150])
            finally:
                pool.set_limit(size=0)


def surroundings(device: str) -> dict[str, Any]:
    """Return what the rows were made on."""
    found = {name: metadata.version(name) for name in ("numpy", "scipy", "array-api-compat")}
    found |= {"python": platform.python_version(), "cores": os.cpu_count() or 0}
    found["date"] = time.strftime("%Y-%m-%d")
    if device == "cuda":
        cupy = import_module("cupy")
        runtime = cupy.cuda.runtime
        card = runtime.getDeviceProperties(0)
        found |= {"cupy": cupy.__version__, "gpu": card["name"].decode()}
        found |= {"cuda_driver": runtime.driverGetVersion(), "cuda": runtime.runtimeGetVersion()}
        found["gpu_gb"] = round(card["totalGlobalMem"] / 1e9)
    return found


def main() -> int:
    """Compare and time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder of gpu.csv and gpu.json")
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--seconds", type=float, default=180, help="begin nothing after (180)")
    parser.add_argument("--scenes", nargs="*", default=list(SCENES))
    parser.add_argument("--bin", type=int, default=1, help="of whole frames (1)")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="that share it")
    args = parser.parse_args()
    table = Table(args.out, args.device, args.seconds)
    told = surroundings(args.device)
    (args.out / "gpu.json").write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    print(told)
    for part in (
        lambda: differences(table, args.scenes),
        lambda: frames(table),
        lambda: large(table, args.bin),
        lambda: thirty(table, args.bin),
        lambda: stacks(table),
        lambda: shared(table, args.workers),
        lambda: command(table, args.bin, args.workers),
        lambda: profile(table),
        lambda: scarce(table, args.bin),
    ):
        with table.trying("part"):
            part()
    print(f"{table.failed} failed")
    return 1 if table.failed else 0


if __name__ == "__main__":
    sys.exit(main())
