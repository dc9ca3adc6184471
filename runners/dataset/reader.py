"""Reads a data set: stacks by split, each opened when it is asked for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, overload

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass as checked

from ...ground.checksum import file_sha256, sha256
from ...ground.json_text import JsonError, parse_json
from ...ground.spelling import nearest
from ...ground.text import plain_line
from ...simulator.data import DataFileError, validate
from ...simulator.stack.stackio import Stack, read_stack
from .index import FRAMES, STACKS, sums_text
from .packed import SUFFIX, PackedStack
from .papers import SUMS
from .splits import SPLITS, Split

if TYPE_CHECKING:
    import pandas as pd

#: Columns of the table of frames that are no numbers.
_TEXTS = ("name", "split", "path")
_SHA = "^[0-9a-f]{64}$"


class DatasetError(ValueError):
    """A folder is no data set, or not a whole one."""


@checked(frozen=True, slots=True, kw_only=True, config=ConfigDict(extra="forbid"))
class StackRow:
    """What the table of stacks says of one; `runners.dataset.columns` tells each column."""

    name: str
    split: Split
    scene: str
    family: str
    scene_seed: int | None
    seed: int
    rig: str
    stance: str
    light: str
    subject: str
    frames: int = Field(ge=1)
    usable: int
    reference: int
    width_px: int
    height_px: int
    pitch_um: float
    magnification: float
    f_number: float
    iso: float
    encoding: str
    bits: int
    path: str
    bytes: int
    sha256: str = Field(pattern=_SHA)


@dataclass(frozen=True, eq=False)
class Dataset(Sequence[Stack | PackedStack]):
    """Stacks of a data set; `open_dataset` gives one.

    Indexing and iterating open a stack each: ``frames``, ``truth``, ``records``, ``info`` and
    ``shoot`` are read from the disk when they are asked for.

    Parameters
    ----------
    path : Path
        Folder of the data set.
    rows : tuple of StackRow
        What the table says of each stack, in the same order.
    verify : bool
        Whether a stack is held against its checksum when it is opened.
    """

    path: Path
    rows: tuple[StackRow, ...]
    verify: bool = False

    def split(self, name: Split) -> Dataset:
        """Return the stacks of one split.

        Parameters
        ----------
        name : {"train", "validation", "test"}

        Raises
        ------
        ValueError
            Another name.
        """
        if name not in SPLITS:
            raise ValueError(
                f"split: got {name!r}{nearest(str(name), SPLITS)}, allowed {', '.join(SPLITS)}"
            )
        return replace(self, rows=tuple(row for row in self.rows if row.split == name))

    def __len__(self) -> int:
        """Return the number of stacks."""
        return len(self.rows)

    @overload
    def __getitem__(self, index: int) -> Stack | PackedStack: ...
    @overload
    def __getitem__(self, index: slice) -> Dataset: ...
    def __getitem__(self, index: int | slice) -> Stack | PackedStack | Dataset:
        """Open a stack, or take several unopened."""
        if isinstance(index, slice):
            return replace(self, rows=self.rows[index])
        return self._opened(self.rows[index])

    def __iter__(self) -> Iterator[Stack | PackedStack]:
        """Open one stack after the other."""
        return map(self._opened, self.rows)

    @cached_property
    def frames(self) -> pd.DataFrame:
        """The table of these stacks' frames: place of the plane of focus, pose, light of each."""
        import pandas as pd  # noqa: PLC0415 - slow to load

        lines = (self.path / f"{FRAMES}.jsonl").read_bytes().splitlines()
        ours = {row.name for row in self.rows}
        found = pd.DataFrame([row for row in map(parse_json, lines) if row["name"] in ours])
        for name in found.columns.difference(_TEXTS):
            found[name] = pd.to_numeric(found[name])  # also where it is nowhere known
        return found

    def _opened(self, row: StackRow) -> Stack | PackedStack:
        path = self.path / row.path
        if row.path.endswith(SUFFIX):
            if self.verify:
                _hold(path, file_sha256(path), row)
            return PackedStack(path)
        stack = read_stack(path, verify=self.verify)
        if self.verify:
            files = sorted(stack.manifest.files.items())
            lines = sums_text([(f"{row.path}/{name}", held.sha256) for name, held in files])
            _hold(path, sha256(lines.encode()), row)
        return stack


def open_dataset(path: str | Path, *, verify: bool = False) -> Dataset:
    """Open a data set.

    Parameters
    ----------
    path : path
        Folder that ``stacktruth dataset`` made.
    verify : bool
        Whether each stack is held against its checksum when it is opened; that reads all of it.
        The whole at once: ``sha256sum --check SHA256SUMS``.

    Returns
    -------
    Dataset
        All stacks; ``split("train")`` gives those of one split.

    Raises
    ------
    DatasetError
        No data set, or one that is not whole yet.

    Examples
    --------
    >>> open_dataset("nowhere")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    stacktruth.runners.dataset.reader.DatasetError: nowhere: no data set: got no stacks.jsonl...
    """
    folder = Path(path)
    table = folder / f"{STACKS}.jsonl"
    try:
        lines = table.read_bytes().splitlines()
    except OSError as error:
        raise DatasetError(
            f"{folder}: no data set: got no {table.name} ({error.strerror}), expected it; it comes "
            "with the last stack"
        ) from error
    rows = tuple(_row(line, f"{table}: line {number}") for number, line in enumerate(lines, 1))
    if not rows:
        raise DatasetError(f"{table}: got no line, expected one for each stack")
    return Dataset(folder, rows, verify)


def _row(line: bytes, where: str) -> StackRow:
    try:
        row = validate(StackRow, parse_json(line), where=where, ranges=False)
    except JsonError as error:
        raise DatasetError(f"{where}: {error}") from error
    except DataFileError as error:
        raise DatasetError(str(error)) from error
    place = PurePosixPath(row.path)
    if place.is_absolute() or ".." in place.parts or "\\" in row.path:
        shown = plain_line(row.path, longest=80)
        raise DatasetError(f"{where}: path: got {shown!r}, allowed a path in the data set")
    return row


def _hold(path: Path, got: str, row: StackRow) -> None:
    if got != row.sha256:
        raise DatasetError(
            f"{path}: was changed: got SHA-256 {got[:12]}..., expected {row.sha256[:12]}... as in "
            f"{SUMS}"
        )
