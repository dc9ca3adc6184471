"""Reads what a method left behind, which may be anything: every file is taken for hostile.

All that a method hands over comes in by here: what its process says of its end, its arrays, the
pictures that a program wrote, and what it opened. Its processes are dead by then, or stopped. Each
file is opened by the folder that holds it, no link is followed, nothing is opened that could keep
the reader waiting, and its size is held against what the stack allows before anything is read.
"""

from __future__ import annotations

import io
import os
import stat
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, BinaryIO, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass

from ...ground.complaints import got_and_allowed
from ...ground.json_text import JsonError, parse_json
from ...ground.text import plain_line
from ...simulator.rig import STRICT
from ..contract import DEPTH_UNITS, InvalidOutput, Result, as_result
from .child import HANDED, HANDOVER

#: What a method can say of its own end; the rest is seen from outside.
Says = Literal["ok", "skipped", "failed", "invalid-output"]
MAX_PICTURE_MB = 2000.0
MAX_TEXT_MB = 4.0
_MAX_HANDOVER_MB = 1.0
_WIDEST = 8  # bytes of a number
_HEAD_BYTES = 10_000
_HEADERS = {
    (1, 0): np.lib.format.read_array_header_1_0,
    (2, 0): np.lib.format.read_array_header_2_0,
}
_OPEN = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY

Index = Annotated[int, Field(strict=True, ge=0, lt=1 << 31)]


@dataclass(frozen=True, kw_only=True, config=STRICT)
class Described:
    """What a child says of the result that it left.

    Parameters
    ----------
    files : tuple of {"image", "depth", "confidence"}
        Those arrays that belong to the result; no other is looked at.
    depth_unit : str
    reference : int or None
    used : tuple of int or None
    """

    files: tuple[Literal["image", "depth", "confidence"], ...] = Field(max_length=3)
    depth_unit: str = Field(default=DEPTH_UNITS[0], max_length=10)
    reference: Index | None = None
    used: tuple[Index, ...] | None = Field(default=None, max_length=100_000)

    def __post_init__(self) -> None:
        """Refuse a result without a picture."""
        if self.files.count("image") != 1 or len(set(self.files)) != len(self.files):
            raise ValueError("allowed: image, and each of the others at most once")


@dataclass(frozen=True, kw_only=True, config=STRICT)
class HandOver:
    """What a child says of its end.

    Parameters
    ----------
    status : str
    reason : str
    result : Described or None
        Given only when the status is "ok".
    """

    status: Says
    reason: str
    result: Described | None = None

    def __post_init__(self) -> None:
        """Refuse a good end without a result, and another with one."""
        if (self.status == "ok") != (self.result is not None):
            raise ValueError("allowed: a result where the status is ok, and nowhere else")


@contextmanager
def opened(
    path: Path, *, max_mb: float = MAX_PICTURE_MB, who: str = "the program"
) -> Iterator[BinaryIO]:
    """Open a file that is safe to read.

    Parameters
    ----------
    path : Path
        Its last part may be anything; what is above it is ours.
    max_mb : float
        Largest size, MB (1e6 bytes).
    who : str
        Who should have written it, for the message.

    Raises
    ------
    InvalidOutput
        It is missing, a link, a pipe or the like, has a second name, or is too large.
    """
    name = path.name
    try:
        handle = os.open(path, _OPEN)
    except (FileNotFoundError, NotADirectoryError):
        raise InvalidOutput(f"{who} wrote no {name}: got no file, expected one") from None
    except OSError as error:
        raise InvalidOutput(_cannot_be_opened(path, error)) from None
    try:
        _check(name, os.fstat(handle), max_mb)
    except InvalidOutput:
        os.close(handle)
        raise
    with os.fdopen(handle, "rb") as file:
        yield file


def _check(name: str, found: os.stat_result, max_mb: float) -> None:
    if not stat.S_ISREG(found.st_mode):
        raise InvalidOutput(f"{name} is not a regular file: got {_kind(found.st_mode)}")
    if found.st_nlink > 1:
        raise InvalidOutput(
            f"{name} is a file that has another name, too: got {found.st_nlink} names, allowed 1"
        )
    if found.st_size > max_mb * 1e6:
        size = f"{found.st_size / 1e6:.1f} MB"
        raise InvalidOutput(f"{name}: got {size}, allowed {max_mb:.4g}")


def _cannot_be_opened(path: Path, error: OSError) -> str:
    try:
        mode = path.lstat().st_mode
    except OSError:
        mode = 0
    if stat.S_ISLNK(mode):
        return f"{path.name}: got a symbolic link, expected a file"
    if mode and not stat.S_ISREG(mode):  # a socket cannot even be opened
        return f"{path.name} is not a regular file: got {_kind(mode)}"
    return f"{path.name} cannot be opened: got {error.strerror!r}, expected a file"


def _kind(mode: int) -> str:
    """Return what stands where a file should be, and what is allowed."""
    kinds = {stat.S_IFDIR: "a folder", stat.S_IFIFO: "a pipe", stat.S_IFSOCK: "a socket"}
    return f"{kinds.get(stat.S_IFMT(mode), 'a device')}, allowed a file"


def read_bytes(path: Path, *, max_mb: float, who: str = "the program") -> bytes:
    """Return the bytes of a file, none where it is missing or is not to be read.

    Raises
    ------
    InvalidOutput
        As for `opened`.
    """
    with opened(path, max_mb=max_mb, who=who) as file:
        return file.read(int(max_mb * 1e6) + 1)


def read_text(path: Path) -> str:
    """Return the text of a small file.

    Raises
    ------
    InvalidOutput
        As for `opened`.
    """
    return read_bytes(path, max_mb=MAX_TEXT_MB).decode("utf-8", errors="replace")


def taken_away(folder: Path, to: Path) -> Path | None:
    """Move what a child handed over out of its folder, to a place of ours, and return that.

    Parameters
    ----------
    folder : Path
        The method's own.
    to : Path
        A path that is not there yet.

    Returns
    -------
    Path or None
        None: it handed nothing over.

    Raises
    ------
    InvalidOutput
        What it left is no folder, or closed.
    """
    try:
        above = os.open(folder, os.O_PATH | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError as error:
        raise InvalidOutput(
            f"its working folder is gone: got {error.strerror!r}, expected a folder"
        ) from None
    try:
        os.rename(HANDED, to, src_dir_fd=above)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InvalidOutput(
            f"hand-over: {HANDED} cannot be taken: got {error.strerror!r}, expected a folder"
        ) from None
    finally:
        os.close(above)
    if not stat.S_ISDIR(to.lstat().st_mode):
        to.unlink()
        raise InvalidOutput(f"hand-over: {HANDED} is no folder: got a file, expected one")
    to.chmod(0o700)
    return to


def read_handover(folder: Path) -> HandOver | None:
    """Return what a child says of its end; None where it said nothing.

    Raises
    ------
    InvalidOutput
        What it left is not what a child leaves.
    """
    if not os.path.lexists(folder / HANDOVER):
        return None
    try:
        said = parse_json(read_bytes(folder / HANDOVER, max_mb=_MAX_HANDOVER_MB))
        return TypeAdapter(HandOver).validate_python(said)
    except (JsonError, InvalidOutput) as error:
        raise InvalidOutput(f"hand-over: {error}") from None
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        words = ["hand-over", plain_line(".".join(map(str, first["loc"])), longest=60)]
        words.append(got_and_allowed(first, got=plain_line(repr(first["input"]), longest=80)))
        raise InvalidOutput(": ".join(filter(None, words))) from None


def read_result(folder: Path, said: Described, info: Mapping[str, Any]) -> Result:
    """Return the result that a child left.

    Raises
    ------
    InvalidOutput
        A file is missing, not of the stack's size, or holds what no result may hold.
    """
    shape = (int(info["height_px"]), int(info["width_px"]))
    parts: dict[str, Any] = {
        "depth_unit": said.depth_unit,
        "reference": said.reference,
        "used": said.used,
    }
    for name in said.files:
        parts[name] = read_array(folder / f"{name}.npy", (*shape, 3) if name == "image" else shape)
    return as_result(parts, info=info)


def read_array(path: Path, shape: tuple[int, ...]) -> npt.NDArray[Any]:
    """Return the numbers in a .npy file of a known shape; nothing is read before that is seen.

    Raises
    ------
    InvalidOutput
        No such file, another shape, no plain numbers, or another length than its head says.
    """
    count = int(np.prod(shape))
    with opened(path, max_mb=(count * _WIDEST + _HEAD_BYTES) / 1e6) as file:
        found, by_columns, kind = _head(file, path.name)
        if found != shape or any(isinstance(size, bool) for size in found):
            raise InvalidOutput(
                f"{path.name}: got shape {plain_line(str(found), longest=60)}, expected {shape}"
            )
        if kind.kind not in "uif" or kind.itemsize > _WIDEST:
            raise InvalidOutput(
                f"{path.name}: got type {plain_line(str(kind), longest=60)}, "
                "allowed numbers of up to 64 bits"
            )
        left = os.fstat(file.fileno()).st_size - file.tell()
        if left != count * kind.itemsize:
            raise InvalidOutput(
                f"{path.name}: got {left} bytes of numbers, expected {count * kind.itemsize}, "
                "as it says"
            )
        flat = np.frombuffer(file.read(left), kind)
    return flat.reshape(shape, order="F" if by_columns else "C")


def _head(file: BinaryIO, name: str) -> tuple[tuple[int, ...], bool, np.dtype[Any]]:
    """Return shape, order and type that an array says it has; no more than a head is read."""
    start = io.BytesIO(file.read(_HEAD_BYTES))
    try:
        head = _HEADERS[np.lib.format.read_magic(start)](start)
    except Exception as error:  # it takes the head for Python, and raises many kinds
        raise InvalidOutput(
            f"{name} is no array: got {start.getvalue()[:8].hex(' ')} at its start "
            f"({plain_line(str(error), longest=80)}), expected a .npy file"
        ) from None
    file.seek(start.tell())
    return head
