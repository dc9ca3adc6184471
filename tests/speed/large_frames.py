"""What large frames cost: ``python tests/speed/large_frames.py [SCENE] [--frames 10 30]``.

First the CPU time per megapixel of a whole frame of the scene's rig over that of its middle
megapixel, in one process; ``--memory`` leaves that out. Then the peak memory of ``render`` over
whole frames, of its own process and of those that it shares the work out to (``--workers``): it
must not depend on the number of frames.

``--megapixels 100`` gives the rig a sensor of so many pixels of the same size, which sees more than
the scene has; ``--quality fast`` takes less time. 24 megapixels by 30 frames and 100 by 5 are the
sizes to be stated:

    python tests/speed/large_frames.py steps --memory --quality fast --frames 2 4 30
    python tests/speed/large_frames.py steps --memory --quality fast --megapixels 100 --frames 1 5
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import psutil

from stacktruth.simulator import Rig, load_rig, load_scene, render_view
from stacktruth.simulator.data import find_data_file
from stacktruth.simulator.scene.scene import Scene

_LOOK_S = 0.2


@dataclass(frozen=True)
class Peak:
    """The memory that a command took.

    Parameters
    ----------
    parent_gib, worker_gib : float
        Largest resident memory of the command's own process, and of the largest of those that it
        started; 0 where it started none.
    all_gib : float
        Largest sum over all of them at one look; what they share is counted in each.
    seconds : float
        Wall time.
    """

    parent_gib: float
    worker_gib: float
    all_gib: float
    seconds: float


def cpu_s_per_megapixel(
    scene: Scene, rig: Rig, side: int | None, *, quality: str
) -> tuple[float, float]:
    """Return CPU time per megapixel of a noise-free frame or its middle, and its megapixels."""
    crop = None if side is None else (side, side)
    start = time.process_time()
    picture = render_view(scene, rig, crop=crop, quality=quality)
    millions = picture.shape[0] * picture.shape[1] / 1e6
    return (time.process_time() - start) / millions, millions


def peak_of(argv: list[str]) -> Peak:
    """Run a command; return the memory that it took.

    Raises
    ------
    SystemExit
        It failed.
    """
    start = time.monotonic()
    command = psutil.Popen(argv, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    peaks: dict[int, float] = {}
    most = 0.0
    while command.poll() is None:
        held = {}
        for process in _tree(command):
            try:
                held[process.pid] = process.memory_info().rss / 2**30
            except psutil.Error:  # it has ended meanwhile
                continue
        for pid, gib in held.items():
            peaks[pid] = max(gib, peaks.get(pid, 0.0))
        most = max(most, sum(held.values()))
        time.sleep(_LOOK_S)
    if command.returncode:
        raise SystemExit(f"failed: {' '.join(argv)}\n{command.stderr.read().decode()}")
    own = peaks.pop(command.pid)
    return Peak(own, max(peaks.values(), default=0.0), most, time.monotonic() - start)


def _tree(command: psutil.Process) -> list[psutil.Process]:
    try:
        return [command, *command.children(recursive=True)]
    except psutil.Error:
        return []


def render_command(
    scene: str, rig: Path, out: Path, *, frames: int, workers: int, quality: str
) -> list[str]:
    """Return the command line that renders whole frames."""
    argv = [sys.executable, "-m", "stacktruth.runners.cli", "render", scene, "--out", str(out)]
    argv += ["--rig", str(rig), "--frames", str(frames), "--workers", str(workers)]
    return [*argv, "--quality", quality, "--stance", "braced", "--no-progress"]


def rig_file(name: str, megapixels: float | None, folder: Path) -> Path:
    """Return the file of a rig, or of one with so many pixels of its sensor's size and shape."""
    path = find_data_file(name, kind="rig")
    if megapixels is None:
        return path
    sensor = load_rig(name).sensor
    times = (megapixels * 1e6 / (sensor.width_px * sensor.height_px)) ** 0.5
    text = path.read_text(encoding="utf-8")
    for side in ("width_px", "height_px"):
        text = re.sub(
            rf"^{side} = .*$", f"{side} = {round(getattr(sensor, side) * times)}", text, flags=re.M
        )
    made = folder / "rig.toml"
    made.write_text(text, encoding="utf-8")
    return made


def main() -> None:
    """Print cost and memory."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("scene", nargs="?", default="pickets")
    parser.add_argument("--frames", nargs="*", type=int, default=[10, 30])
    parser.add_argument("--megapixels", type=float, help="of the sensor (default: the rig's own)")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--quality", default="true")
    parser.add_argument("--memory", action="store_true", help="leave out the CPU time")
    asked = parser.parse_args()
    os.environ.update({f"{name}_NUM_THREADS": "1" for name in ("OMP", "OPENBLAS", "MKL")})
    scene = load_scene(asked.scene)
    with tempfile.TemporaryDirectory() as place:
        path = rig_file(scene.rig, asked.megapixels, Path(place))
        rig = load_rig(path)
        if not asked.memory:
            tell_cpu(scene, rig, quality=asked.quality)
        millions = rig.sensor.width_px * rig.sensor.height_px / 1e6
        for frames in asked.frames:
            out = Path(place) / str(frames)
            how = {"frames": frames, "workers": asked.workers, "quality": asked.quality}
            peak = peak_of(render_command(asked.scene, path, out, **how))
            print(
                f"{asked.scene}, {millions:.1f} MP, {frames} frames, {asked.workers} workers, "
                f"{asked.quality}: peak {peak.parent_gib:.2f} GiB, largest worker "
                f"{peak.worker_gib:.2f}, all at once {peak.all_gib:.2f}, {peak.seconds:.0f} s",
                flush=True,
            )


def tell_cpu(scene: Scene, rig: Rig, *, quality: str) -> None:
    """Print the CPU time per megapixel of a whole frame beside that of its middle."""
    cpu_s_per_megapixel(scene, rig, 1000, quality=quality)  # what is made once
    small = min(cpu_s_per_megapixel(scene, rig, 1000, quality=quality)[0] for _ in range(3))
    large, millions = cpu_s_per_megapixel(scene, rig, None, quality=quality)
    print(
        f"{scene.name}: {small:.2f} s CPU per megapixel at 1 MP, {large:.2f} at {millions:.1f} MP; "
        f"ratio {large / small:.2f}",
        flush=True,
    )


if __name__ == "__main__":
    main()
