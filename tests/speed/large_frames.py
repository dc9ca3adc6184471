"""What large frames cost: ``python tests/speed/large_frames.py [SCENE] [--frames 10 30]``.

First the CPU time per megapixel of a whole frame of the scene's rig over that of its middle
megapixel, in one process. Then the peak memory of shoots of whole frames, rendered and written by
one process each: it must not depend on the number of frames.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from stacktruth.simulator import load_rig, load_scene, render_view

_SHOOT = """
import sys
from stacktruth import load_rig, load_scene, shoot
from stacktruth.simulator.stack.stackwrite import write_stack
name, frames, folder = sys.argv[1:]
scene = load_scene(name)
rig = load_rig(scene.rig)
plan = shoot(scene, rig, stance="braced", light="flash-sixteenth", frames=int(frames))
write_stack(plan, folder, progress=False)
"""


def cpu_s_per_megapixel(name: str, side: int | None) -> tuple[float, float]:
    """Return CPU time per megapixel of a noise-free frame or its middle, and its megapixels."""
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    crop = None if side is None else (side, side)
    start = time.process_time()
    picture = render_view(scene, rig, crop=crop)
    millions = picture.shape[0] * picture.shape[1] / 1e6
    return (time.process_time() - start) / millions, millions


def peak_gib(name: str, frames: int) -> tuple[float, float]:
    """Return the peak memory of a shoot of whole frames, GiB, and its time, s."""
    start = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        argv = [sys.executable, "-c", _SHOOT, name, str(frames), str(Path(folder) / "stack")]
        process = subprocess.Popen(argv)
        _, status, usage = os.wait4(process.pid, 0)
        if status != 0:
            raise SystemExit(f"a shoot of {frames} frames failed")
    return usage.ru_maxrss / 2**20, time.monotonic() - start


def main() -> None:
    """Print cost and memory."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("scene", nargs="?", default="pickets")
    parser.add_argument("--frames", nargs="*", type=int, default=[10, 30])
    asked = parser.parse_args()
    cpu_s_per_megapixel(asked.scene, 1000)  # what is made once
    small = min(cpu_s_per_megapixel(asked.scene, 1000)[0] for _ in range(3))
    large, millions = cpu_s_per_megapixel(asked.scene, None)
    print(
        f"{asked.scene}: {small:.2f} s CPU per megapixel at 1 MP, "
        f"{large:.2f} at {millions:.1f} MP; "
        f"ratio {large / small:.2f}",
        flush=True,
    )
    for frames in asked.frames:
        gib, seconds = peak_gib(asked.scene, frames)
        print(f"{asked.scene}: {frames} frames, peak {gib:.2f} GiB in {seconds:.0f} s", flush=True)


if __name__ == "__main__":
    main()
