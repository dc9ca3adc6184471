"""Runs a rogue method on a small stack, and says what is wrong with what came of it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stacktruth.ground.frames import FrameFiles
from stacktruth.ground.pictures import encode_image
from stacktruth.runners.contract import Outcome
from stacktruth.runners.isolate.child import HANDED
from stacktruth.runners.isolate.run import run_method
from tests.robustness.rogues import HEAD, Rogue

ROWS, COLUMNS = 64, 96
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
    work = place / "work"
    work.mkdir()
    outcome = run_method(
        method_file(place / "own", rogue.body),
        stack.frames,
        INFO,
        time_limit_s=rogue.time_s,
        memory_limit_mb=rogue.memory_mb,
        work_dir=work,
    )
    wrong = [*_wrong_with(outcome, rogue)]
    if left := os.listdir(work):
        wrong.append(f"left behind: {left}")
    if shared := [name for name in os.listdir("/dev/shm") if "rogue" in name]:
        wrong.append(f"left in shared memory: {shared}")
    if Path("/tmp/planted").exists():
        wrong.append("wrote to the temporary folder of all")
    if not stack.as_before():
        wrong.append("the frames are not what they were")
    return [f"{one} ({outcome.status}: {outcome.reason!r})" for one in wrong]


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
