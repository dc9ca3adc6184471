"""Runs a rogue method on a small stack, and says what is wrong with what came of it.

``python -m tests.robustness.rogue_runs [--workers N] [NAME ...]`` from the root of the checkout
runs all of them, or those of whose names a part is given.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stacktruth.ground.frames import FrameFiles
from stacktruth.ground.pictures import encode_image
from stacktruth.runners.contract import Outcome
from stacktruth.runners.isolate.child import HANDED
from stacktruth.runners.isolate.run import run_method
from tests.robustness.rogues import HEAD, ROGUES, Rogue

ROWS, COLUMNS = 64, 96
#: A run may take so much longer than its limit, on a busy machine.
_LONGER_S = 40.0
INFO = {
    "frames": [{"file": "frames/0000.tif"}, {"file": "frames/0001.tif"}],
    "width_px": COLUMNS,
    "height_px": ROWS,
    "reference": 0,
}


@dataclass(frozen=True, kw_only=True)
class SmallStack:
    """Two frames of noise in files, and what they were."""

    frames: FrameFiles
    bytes_before: tuple[bytes, ...]

    def as_before(self) -> bool:
        """Tell whether the frames are what they were."""
        return tuple(path.read_bytes() for path in self.frames.paths) == self.bytes_before


def small_stack(folder: Path) -> SmallStack:
    """Write a stack of two frames."""
    rng = np.random.default_rng(1)
    (folder / "frames").mkdir(parents=True)
    paths = [folder / frame["file"] for frame in INFO["frames"]]
    for path in paths:
        image = rng.integers(0, 65535, (ROWS, COLUMNS, 3), dtype=np.uint16)
        path.write_bytes(encode_image(image, ".tif"))
    held = tuple(path.read_bytes() for path in paths)
    return SmallStack(frames=FrameFiles(paths), bytes_before=held)


def method_file(folder: Path, body: str) -> str:
    """Write a rogue's file; return its spec."""
    folder.mkdir(parents=True)
    head, body = (text.replace("HANDED", HANDED) for text in (HEAD, body))
    text = f"{head % {'handed': HANDED}}\ndef merge(frames, info):\n    {body}\n"
    (folder / "rogue.py").write_text(text)
    return f"{folder / 'rogue.py'}:merge"


def run_rogue(rogue: Rogue, stack: SmallStack, place: Path) -> list[str]:
    """Run a rogue; return what is wrong, nothing where all is as it must be.

    Parameters
    ----------
    rogue : Rogue
    stack : SmallStack
    place : Path
        An empty folder.
    """
    return looked_at(rogue, stack, place)[0]


def looked_at(rogue: Rogue, stack: SmallStack, place: Path) -> tuple[list[str], Outcome]:
    """Run a rogue as `run_rogue` does; return what came of it, too."""
    work = place / "work"
    work.mkdir()
    started = time.perf_counter()
    outcome = run_method(
        method_file(place / "own", rogue.body),
        stack.frames,
        INFO,
        time_limit_s=rogue.time_s,
        memory_limit_mb=rogue.memory_mb,
        work_dir=work,
    )
    wrong = [*_wrong_with(outcome, rogue)]
    if (took_s := time.perf_counter() - started) > rogue.time_s + _LONGER_S:
        wrong.append(f"took {took_s:.0f} s with a limit of {rogue.time_s:g}")
    if left := os.listdir(work):
        wrong.append(f"left behind: {left}")
    if shared := [name for name in os.listdir("/dev/shm") if "rogue" in name]:
        wrong.append(f"left in shared memory: {shared}")
    if Path("/tmp/planted").exists():
        wrong.append("wrote to the temporary folder of all")
    if not stack.as_before():
        wrong.append("the frames are not what they were")
    return [f"{one} ({outcome.status}: {outcome.reason!r})" for one in wrong], outcome


def _wrong_with(outcome: Outcome, rogue: Rogue) -> list[str]:
    wrong = []
    if outcome.status not in rogue.status:
        wrong.append(f"status, expected {rogue.status}")
    if rogue.says not in outcome.reason:
        wrong.append(f"the reason does not say {rogue.says!r}")
    if not outcome.reason.isprintable() or len(outcome.reason) > 500:
        wrong.append("the reason is no plain line")
    if bool(outcome.reason) == (outcome.status == "ok"):
        wrong.append("a reason where there is none to give, or none where there is")
    if outcome.result is not None and outcome.result.depth is not None:
        wrong.append("a depth that was not returned")
    if outcome.from_outside:
        wrong.append("taken for ended from outside")
    return wrong


def tried(name: str) -> tuple[str, list[str], float, float]:
    """Run a rogue on a stack of its own; return its name, what is wrong, seconds, and MB."""
    started = time.monotonic()
    with tempfile.TemporaryDirectory() as place:
        stack = small_stack(Path(place).resolve() / "stack")
        wrong, outcome = looked_at(ROGUES[name], stack, Path(place).resolve())
    return name, wrong, time.monotonic() - started, outcome.peak_mb or 0.0


def main() -> int:
    """Run all rogues, print what is wrong; return of how many something is."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help="parts of names (default: all)")
    parser.add_argument("--workers", type=int, default=1, help="rogues at once")
    asked = parser.parse_args()
    names = [n for n in ROGUES if not asked.names or any(part in n for part in asked.names)]
    bad, longest, largest = 0, (0.0, ""), (0.0, "")
    with ProcessPoolExecutor(asked.workers) as pool:
        for name, wrong, seconds, peak_mb in pool.map(tried, names):
            bad += bool(wrong)
            longest, largest = max(longest, (seconds, name)), max(largest, (peak_mb, name))
            for text in wrong:
                print(f"{name}: {text}", flush=True)
    print(
        f"rogues: {len(names)} tried, {bad} wrong; longest {longest[0]:.1f} s ({longest[1]}), "
        f"largest {largest[0]:.0f} MB ({largest[1]})"
    )
    return bad


if __name__ == "__main__":
    sys.exit(bool(main()))
