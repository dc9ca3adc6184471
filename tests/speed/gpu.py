"""A GPU beside the processor: how far their pictures differ, and how long each takes.

``python tests/speed/gpu.py --out DIR`` prints a line for each comparison and goes on after what
fails, with the last lines of the traceback. It wants CuPy and a CUDA device; ``--device
array_api_strict`` tries the script itself where there is none.
"""

from __future__ import annotations

import argparse
import cProfile
import io
import pstats
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np

from stacktruth.simulator import Pose, Rig, Scene, load_rig, load_scene, shoot
from stacktruth.simulator.compositing.render import render
from stacktruth.simulator.data import list_data_files
from stacktruth.simulator.view.camera import Camera

#: Scenes of which a whole frame is timed.
LARGE = ("sticky-leaf", "snail-shell", "dew:3", "moss", "slanted-edges")
ALLOWED = 1e-4


class Report:
    """What is printed, and kept in a file at once."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._file = (folder / "gpu.txt").open("w", encoding="utf-8")
        self.failed = 0

    def say(self, text: str) -> None:
        """Print and keep a text."""
        print(text, flush=True)
        self._file.write(text + "\n")
        self._file.flush()

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Go on after what fails in this block, and say where it did."""
        try:
            yield
        except Exception as error:
            self.failed += 1
            lines = traceback.extract_tb(error.__traceback__)[-5:]
            places = [f"    {Path(at.filename).name}:{at.lineno} {at.line}" for at in lines]
            said = f"{type(error).__name__}: {str(error)[:400]}"
            self.say("\n".join([f"FAILED {name}: {said}", *places]))


def timed(work: Callable[[], Any], times: int = 1) -> tuple[Any, float]:
    """Return what a call gives, and the least seconds that it takes."""
    least = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        made = work()
        least = min(least, time.perf_counter() - start)
    return made, least


def picture(
    scene: Scene, camera: Camera, device: str, *, quality: str, sharp: bool = False
) -> np.ndarray:
    """Render on a device; the picture comes to the host, so its work is done."""
    focus = () if sharp else (camera,)
    return render(scene, camera, focus=focus, quality=quality, device=device)


def compare(report: Report, name: str, device: str, camera: Camera, quality: str) -> None:
    """Print by how much a scene's picture differs on a device, and the times."""
    scene = load_scene(name)
    with report.step(f"{name} {quality}"):
        here, seconds = timed(lambda: picture(scene, camera, "cpu", quality=quality))
        _, first = timed(lambda: picture(scene, camera, device, quality=quality))
        there, again = timed(lambda: picture(scene, camera, device, quality=quality))
        off = np.abs(here - there)
        verdict = "ok" if off.max() <= ALLOWED else f"{(off > ALLOWED).mean():.1e} TOO FAR"
        size = "x".join(map(str, here.shape[1::-1]))
        report.say(
            f"{name:20s} {quality:5s} {size:>9s} off {off.max():.1e} {verdict:4s} "
            f"cpu {seconds:7.3f} s  device {again:7.3f} s  (first {first:7.3f} s)"
        )


def aberrated(rig: Rig) -> Rig:
    """Return a rig whose lens has all faults that a picture can show."""
    lens = replace(
        rig.lens,
        spherical_um=0.3,
        axial_colour_mm=(0.02, 0.0, -0.02),
        field_curvature_per_mm=0.01,
        vignetting_stops=0.7,
    )
    return replace(rig, lens=lens)


def differences(report: Report, device: str, names: list[str]) -> None:
    """Compare all scenes, small; some at every level, and through a faulty lens."""
    report.say("\n== differences: allowed 1e-4 of white")
    pose = Pose(x_mm=0.05, y_mm=-0.05, z_mm=0.1, pitch_mrad=2, yaw_mrad=-1, roll_mrad=1)
    for name in names:
        rig = load_rig(load_scene(name).rig)
        compare(report, name, device, Camera(rig, pose, 0.2, bin=8), "fast")
        compare(report, name, device, Camera(rig, pose, 0.0, (240, 160)), "true")
    for name in names[:3]:
        rig = load_rig(load_scene(name).rig)
        compare(report, name, device, Camera(rig, crop=(240, 160)), "exact")
        compare(report, name, device, Camera(aberrated(rig), crop=(640, 480), bin=2), "true")


def frames(report: Report, device: str, names: list[str]) -> None:
    """Compare frames with their smear and their truth."""
    report.say("\n== frames and truth: smear, skew, achievable picture")
    for name in names:
        scene = load_scene(name)
        for light in ("flash-sixteenth", "steady-lamp"):
            with report.step(f"{name} {light}"):
                plan = shoot(
                    scene,
                    load_rig(scene.rig),
                    frames=4,
                    seed=2,
                    crop=(960, 640),
                    bin=2,
                    light=light,
                    subject="light-breeze",
                    quality="fast",
                )
                other = replace(plan, device=device)
                off = np.abs(plan.exposure(2) - other.exposure(2)).max()
                codes = np.abs(plan.frame(2).image.astype(int) - other.frame(2).image.astype(int))
                own, its = plan.truth(), other.truth()
                report.say(
                    f"{name:20s} {light:16s} exposure off {off:.1e}, codes of 65535 off "
                    f"{codes.max()}, achievable {np.abs(own.achievable - its.achievable).max():.1e}"
                    f", ideal {np.abs(own.ideal - its.ideal).max():.1e}, depth the same: "
                    f"{np.array_equal(own.depth_mm, its.depth_mm, equal_nan=True)}"
                )


def large(report: Report, device: str, names: list[str], *, bin: int) -> None:
    """Time whole frames at the sensor's pixels."""
    report.say("\n== whole frames")
    for name in names:
        scene = load_scene(name)
        camera = Camera(load_rig(scene.rig), bin=bin)
        for quality in ("fast", "true"):
            compare(report, name, device, camera, quality)
        report.say(f"    {memory(device)}")


def stacks(report: Report, device: str, names: list[str]) -> None:
    """Time small frames, as a data set has them."""
    report.say("\n== stacks of ten frames of 0.4 MP (768 x 512), fast, without noise and truth")
    for name in names:
        with report.step(f"stack {name}"):
            scene = load_scene(name)
            plan = shoot(scene, load_rig(scene.rig), frames=10, crop=(768, 512), quality="fast")
            told = []
            for where in ("cpu", device):
                own = replace(plan, device=where)
                own.exposure(0)
                _, seconds = timed(lambda own=own: [own.exposure(k) for k in range(10)])
                told.append(f"{where} {1 / seconds:6.2f} stacks/s")
            report.say(f"{name:20s} {'  '.join(told)}")


def memory(device: str) -> str:
    """Return what a device holds."""
    if device != "cuda":
        return "memory: not told"
    pool = import_module("cupy").get_default_memory_pool()
    return f"memory: {pool.total_bytes() / 1e9:.2f} GB taken"


def profile(report: Report, device: str, name: str, folder: Path, *, bin: int) -> None:
    """Print where the host's time goes while a device draws a frame."""
    report.say(f"\n== where the host's time goes: {name}, fast, bin {bin}")
    with report.step("profile"):
        scene = load_scene(name)
        camera = Camera(load_rig(scene.rig), bin=bin)
        picture(scene, camera, device, quality="fast")
        seen = cProfile.Profile()
        seen.runcall(lambda: picture(scene, camera, device, quality="fast"))
        text = io.StringIO()
        pstats.Stats(seen, stream=text).sort_stats("tottime").print_stats(30)
        lines = [line[:120] for line in text.getvalue().splitlines() if line.strip()]
        report.say("\n".join(lines[:40]))


def scarce(report: Report, device: str) -> None:
    """Draw a frame in a tenth of the memory that it would like."""
    report.say("\n== too little memory")
    if device != "cuda":
        return
    pool = import_module("cupy").get_default_memory_pool()
    scene = load_scene("snail-shell")
    camera = Camera(load_rig(scene.rig))
    for limit_gb in (1.0, 0.02):
        with report.step(f"{limit_gb} GB"):
            pool.free_all_blocks()
            pool.set_limit(size=int(limit_gb * 1e9))
            try:
                _, seconds = timed(lambda: picture(scene, camera, device, quality="fast"))
                report.say(f"{limit_gb} GB: drawn in {seconds:.2f} s")
            except MemoryError as error:
                report.say(f"{limit_gb} GB: {error}")
            finally:
                pool.set_limit(size=0)


def main() -> int:
    """Compare and time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--scenes", nargs="*", help="default: all that are shipped, and families")
    parser.add_argument("--bin", type=int, default=1, help="of the whole frames that are timed")
    parser.add_argument("--only", nargs="*", help="parts of this script, by their function")
    args = parser.parse_args()
    report = Report(args.out)
    families = [f"{family}:3" for family in list_data_files("family")]
    names = args.scenes or list_data_files("scene") + families
    few = [name for name in LARGE if name in names] or names[:2]
    report.say(f"numpy {np.__version__}, device {args.device}")
    if args.device == "cuda":
        cupy = import_module("cupy")
        card = cupy.cuda.runtime.getDeviceProperties(0)["name"].decode()
        report.say(f"cupy {cupy.__version__}, {card}")
    start = time.perf_counter()
    parts: dict[str, Callable[[], None]] = {
        "differences": lambda: differences(report, args.device, names),
        "large": lambda: large(report, args.device, few, bin=args.bin),
        "frames": lambda: frames(report, args.device, few[:3]),
        "stacks": lambda: stacks(report, args.device, few),
        "profile": lambda: [  # type: ignore[dict-item]
            profile(report, args.device, name, args.out, bin=args.bin) for name in few[:2]
        ],
        "scarce": lambda: scarce(report, args.device),
    }
    for part, work in parts.items():
        if not args.only or part in args.only:
            with report.step(part):
                work()
            report.say(f"-- {part}: {time.perf_counter() - start:.0f} s so far")
    report.say(f"{report.failed} failed")
    return 1 if report.failed else 0


if __name__ == "__main__":
    sys.exit(main())
