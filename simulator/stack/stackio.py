"""Stack folders: written whole or not at all, checked when they are read.

A stack keeps apart what a method under test may see (``frames`` and ``frames.json``) from the
truth and from how it was made.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ...ground.frames import FrameFiles
from ...ground.pictures import read_image
from ...ground.text import plain_line
from ..shooting.shoot import Shoot
from ..shooting.truth import Truth
from .agreed import checked_image, checked_info, checked_truth
from .frameio import FORMATS
from .kept import departures
from .manifest import (
    INFO,
    RECORDS,
    TRUTH,
    Manifest,
    StackError,
    StackExistsError,
    plan_from_data,
    problems,
    read_json,
    read_manifest,
)
from .stackwrite import write_stack
from .truthfiles import IMAGES_OF_SOME, TRUTH_IMAGES, truth_file

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "Stack",
    "StackError",
    "StackExistsError",
    "check_stack",
    "read_stack",
    "write_stack",
]

_LONGEST = 120


@dataclass(frozen=True, eq=False)
class Stack:
    """A stack folder; pictures are read when they are asked for.

    Parameters
    ----------
    path : Path
    manifest : Manifest
        How it was made, and its files.
    """

    path: Path
    manifest: Manifest

    @cached_property
    def info(self) -> Mapping[str, Any]:
        """What the camera wrote (frames.json): all that a method may know."""
        return checked_info(self.path, read_json(self.path, INFO))

    @property
    def frames(self) -> FrameFiles:
        """The frames as a lazy sequence of arrays (rows, cols, 3), in their own encoding."""
        names = [frame["file"] for frame in self.info["frames"]]
        for name in names:
            if name not in self.manifest.files:
                raise StackError(
                    f"{self.path / INFO}: got frame {plain_line(name, longest=80)!r}, which "
                    "is not in "
                    "the stack, allowed one of its files",
                    file=INFO,
                )
        return FrameFiles(
            [self.path / name for name in names],
            frame_shape=(self.info["height_px"], self.info["width_px"], 3),
            dtype=FORMATS[self.manifest.format].dtype,
        )

    @cached_property
    def truth_facts(self) -> Mapping[str, Any]:
        """Reference, usable frames, region bits, units, depth of field (truth.json)."""
        return checked_truth(self.path, read_json(self.path, TRUTH))

    @cached_property
    def truth(self) -> Truth:
        """The truth in the view of the reference frame."""
        more = [name for name in IMAGES_OF_SOME if truth_file(name) in self.manifest.files]
        places = {name: self.path / truth_file(name) for name in (*TRUTH_IMAGES, *more)}
        images = {
            name: checked_image(read_image(at), name, at=at, info=self.info)
            for name, at in places.items()
        }
        return Truth(reference=self.truth_facts["reference"], **images)

    @cached_property
    def records(self) -> pd.DataFrame:
        """What happened in each frame (frames.csv), one row a frame."""
        import pandas as pd  # noqa: PLC0415 - slow to load, and few commands need it

        return pd.DataFrame(_records(self.path / RECORDS))

    @cached_property
    def shoot(self) -> Shoot:
        """The shoot itself: renders any frame again, and the truth in any frame's view."""
        return plan_from_data(self.manifest.plan, where=self.path)


def _records(path: Path) -> list[dict[str, bool | int | float]]:
    """Return the lines of frames.csv."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file, strict=True))
        for number, row in enumerate(rows):
            if None in row or None in row.values():
                raise ValueError(f"more or fewer values in line {number + 2} than in the first")
        return [{key: _value(text) for key, text in row.items()} for row in rows]
    except (ValueError, csv.Error) as error:
        told = plain_line(str(error), longest=_LONGEST)
        raise StackError(
            f"{path}: is no table of numbers: got {told}, allowed what was written", file=RECORDS
        ) from error


def _value(text: str) -> bool | int | float:
    """Return a cell's value, to the last digit; not every version of pandas reads that exactly."""
    if text in ("True", "False"):
        return text == "True"
    if not text:  # no number, as of a frame that shows nothing of the reference's view
        return float("nan")
    return int(text) if text.isdigit() else float(text)


def read_stack(path: str | Path, *, verify: bool = True) -> Stack:
    """Open a stack folder.

    Parameters
    ----------
    path : path
    verify : bool
        Whether to hold the size and the checksum of every file against stack.json.

    Raises
    ------
    StackError
        No stack, or a file is missing, extra, cut off or changed; names the file, what was got
        and what was expected.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> import stacktruth
    >>> scene, rig = stacktruth.load_scene("ramp"), stacktruth.load_rig("test-rig")
    >>> plan = stacktruth.shoot(scene, rig, frames=2, crop=(48, 32))
    >>> with TemporaryDirectory() as place:
    ...     folder = stacktruth.write_stack(plan, f"{place}/ramp", progress=False)
    ...     stack = read_stack(folder)
    ...     print(stack.info["reference"], stack.truth.depth_mm.shape, len(stack.records))
    0 (32, 48) 2
    """
    folder = Path(path)
    stack = Stack(folder, read_manifest(folder))
    if verify:
        for problem in problems(folder, stack.manifest):
            raise problem
    return stack


def check_stack(path: str | Path) -> list[str]:
    """Look for everything that is wrong with a stack: files, pictures, and what they agree on.

    Parameters
    ----------
    path : path
        Folder of the stack.

    Returns
    -------
    list of str
        One line for each problem; empty for a sound stack.

    Raises
    ------
    StackError
        There is no stack at all: no such folder, or no stack.json in it.

    Examples
    --------
    >>> check_stack("nowhere")
    Traceback (most recent call last):
    ...
    stacktruth.simulator.stack.manifest.StackError: nowhere is no stack: got no folder, expected one
    """
    folder = Path(path)
    if not (folder / "stack.json").is_file():
        read_manifest(folder)
    try:
        stack = Stack(folder, read_manifest(folder))
    except StackError as error:
        return [str(error)]
    found = list(problems(folder, stack.manifest))
    if found:
        return [str(problem) for problem in found]
    try:
        return _disagreements(stack)
    except (ValueError, KeyError, TypeError) as error:
        return [f"{folder}: {error}"]


def _disagreements(stack: Stack) -> list[str]:
    """Find what the files of a stack, each sound in itself, do not agree on."""
    found = []
    shoot, frames = stack.shoot, stack.frames
    counts = {
        "stack.json": shoot.frames,
        INFO: len(frames),
        RECORDS: len(stack.records),
    }
    if len(set(counts.values())) > 1:
        listed = ", ".join(f"{count} in {name}" for name, count in counts.items())
        found.append(f"{stack.path}: numbers of frames differ: {listed}")
    for index in range(len(frames)):
        try:
            _ = frames[index]
        except ValueError as error:
            found.append(f"{stack.path}: {error}")
    try:
        _ = stack.truth  # refuses images that have not the size of a frame
    except StackError as error:
        found.append(str(error))
    if not found:
        found = [f"{stack.path}: {one}" for one in departures(stack)]
    return found
