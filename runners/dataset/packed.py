"""A stack in one file: what a stack folder holds, as the arrays of an ``.npz`` archive.

Nothing is compressed, so the bytes depend on no version of a compressor, and frames can be mapped
instead of read. Nothing but numpy is needed to open it: ``numpy.load(path)["frames"]``.
"""

from __future__ import annotations

import struct
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ...ground.json_text import parse_json
from ...simulator.shooting.shoot import Shoot
from ...simulator.shooting.truth import Truth
from ...simulator.stack.manifest import (
    INFO,
    TRUTH,
    StackError,
    canonical_json,
    plan_from_data,
)
from ...simulator.stack.stackio import Stack
from ...simulator.stack.truthfiles import IMAGES_OF_SOME, TRUTH_IMAGES, truth_images

if TYPE_CHECKING:
    import pandas as pd

SUFFIX = ".npz"
#: Texts of a stack folder, kept as the bytes of UTF-8.
_TEXTS = {"frames_json": INFO, "truth_json": TRUTH}
_PLAN = "plan_json"
#: Names of the arrays in the file.
ARRAYS = ("frames", *TRUTH_IMAGES, "records", *_TEXTS, _PLAN)
_HEADER = 30  # bytes of a member's own head before its name (APPNOTE.TXT of ZIP, 4.3.7)


@dataclass(frozen=True, eq=False)
class PackedStack:
    """A stack in one file; arrays are read when they are asked for.

    Parameters
    ----------
    path : Path
        Of the ``.npz`` file.
    """

    path: Path

    @cached_property
    def info(self) -> Mapping[str, Any]:
        """What the camera wrote (frames.json): all that a method may know."""
        return dict(self._text("frames_json"))

    @property
    def frames(self) -> npt.NDArray[Any]:
        """The frames, array (frames, rows, cols, 3) in their own encoding, mapped from the file."""
        with _readable(self.path):
            return _mapped(self.path, "frames")

    @cached_property
    def truth_facts(self) -> Mapping[str, Any]:
        """Reference, usable frames, region bits, units, depth of field (truth.json)."""
        return dict(self._text("truth_json"))

    @cached_property
    def truth(self) -> Truth:
        """The truth in the view of the reference frame."""
        with _readable(self.path), zipfile.ZipFile(self.path) as held:
            there = {name.removesuffix(".npy") for name in held.namelist()}
        arrays = {one.name: self._array(one.name) for one in fields(Truth) if one.name in there}
        return Truth(reference=self.truth_facts["reference"], **arrays)

    @cached_property
    def records(self) -> pd.DataFrame:
        """What happened in each frame, one row a frame."""
        import pandas as pd  # noqa: PLC0415 - slow to load, and few need it

        return pd.DataFrame.from_records(self._array("records"))

    @cached_property
    def plan(self) -> Mapping[str, Any]:
        """The shoot as plain data."""
        return dict(self._text(_PLAN))

    @cached_property
    def shoot(self) -> Shoot:
        """The shoot itself: renders any frame again, and the truth in any frame's view."""
        return plan_from_data(self.plan, where=self.path)

    def check(self) -> None:
        """Read all of the file.

        Raises
        ------
        StackError
            It is no such file, or a byte of it was changed.
        """
        with _readable(self.path), zipfile.ZipFile(self.path) as held:
            names = sorted(name.removesuffix(".npy") for name in held.namelist())
            if sorted(set(names) - set(IMAGES_OF_SOME)) != sorted(ARRAYS):
                raise ValueError(f"got arrays {', '.join(names)}, expected {', '.join(ARRAYS)}")
            if (damaged := held.testzip()) is not None:
                raise ValueError(f"got {damaged} damaged, expected it as its checksum says")

    def _array(self, name: str) -> npt.NDArray[Any]:
        with _readable(self.path), np.load(self.path) as held:
            return np.asarray(held[name])

    def _text(self, name: str) -> Any:
        with _readable(self.path):
            return parse_json(self._array(name).tobytes())


def pack_stack(stack: Stack, path: Path) -> None:
    """Write a stack folder as one file; the same stack gives the same bytes.

    Parameters
    ----------
    stack : Stack
    path : Path
        Of the new file, ending in ``.npz``.
    """
    arrays: dict[str, npt.NDArray[Any]] = {"frames": np.stack(list(stack.frames))}
    arrays |= {name: getattr(stack.truth, name) for name in truth_images(stack.truth)}
    rows = stack.records.to_dict("list")
    kinds = [(str(name), np.asarray(column).dtype) for name, column in rows.items()]
    arrays["records"] = np.array(list(zip(*rows.values(), strict=True)), dtype=kinds)
    texts = {name: (stack.path / file).read_bytes() for name, file in _TEXTS.items()}
    texts[_PLAN] = canonical_json(stack.manifest.plan)
    arrays |= {name: np.frombuffer(text, np.uint8) for name, text in texts.items()}
    names = [name for name in (*ARRAYS, *IMAGES_OF_SOME) if name in arrays]
    np.savez(path, **{name: arrays[name] for name in names})  # type: ignore[arg-type]


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    """Name the file in whatever is wrong with it."""
    try:
        yield
    except StackError:
        raise
    except (ValueError, KeyError, EOFError, OSError, zipfile.BadZipFile, struct.error) as error:
        told = " ".join(str(error).split()) or type(error).__name__
        raise StackError(f"{path}: is no stack in one file: {told}", file=path.name) from error


def _mapped(path: Path, name: str) -> npt.NDArray[Any]:
    """Return an array of an archive, mapped where it lies in the file."""
    with zipfile.ZipFile(path) as held:
        member = held.getinfo(f"{name}.npy")
        with held.open(member) as file:
            version = np.lib.format.read_magic(file)
            if version != (1, 0) or member.compress_type != zipfile.ZIP_STORED:
                raise ValueError(f"{name}: got it compressed or of version {version}, expected not")
            shape, by_columns, dtype = np.lib.format.read_array_header_1_0(file)
            head = file.tell()
    with path.open("rb") as file:
        file.seek(member.header_offset)
        name_length, extra_length = struct.unpack("<HH", file.read(_HEADER)[26:])
    start = member.header_offset + _HEADER + name_length + extra_length + head
    if by_columns:
        raise ValueError(f"{name}: got it column by column, expected row by row")
    return np.memmap(path, dtype, "r", offset=start, shape=shape)
