"""Reads what a method left behind, which may be anything: every file is taken for hostile."""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ..contract import InvalidOutput, Result, Status, as_result

#: What a method can say of its own end; the rest is seen from outside.
SAYS: tuple[Status, ...] = ("ok", "skipped", "failed", "invalid-output")
MAX_PICTURE_MB = 2000.0
_MAX_TEXT_MB = 4.0
_LONGEST_REASON = 500
_HEADERS = {
    (1, 0): np.lib.format.read_array_header_1_0,
    (2, 0): np.lib.format.read_array_header_2_0,
}


def regular_file(path: Path, *, max_mb: float = MAX_PICTURE_MB, who: str = "the program") -> Path:
    """Return the path of a file that is safe to open.

    Raises
    ------
    InvalidOutput
        It is missing, a link, a pipe or the like, or too large.
    """
    try:
        found = path.lstat()
    except (FileNotFoundError, NotADirectoryError):
        raise InvalidOutput(f"{who} wrote no {path.name}") from None
    if stat.S_ISLNK(found.st_mode):
        raise InvalidOutput(f"{path.name} is a symbolic link, expected a file")
    if not stat.S_ISREG(found.st_mode):
        raise InvalidOutput(f"{path.name} is not a regular file")
    if found.st_size > max_mb * 1e6:
        size = f"{found.st_size / 1e6:.0f} MB"
        raise InvalidOutput(f"{path.name} has {size}, allowed: {max_mb:.0f}")
    return path


def read_text(path: Path) -> str:
    """Return the text of a small file.

    Raises
    ------
    InvalidOutput
        As for `regular_file`.
    """
    return regular_file(path, max_mb=_MAX_TEXT_MB).read_text(encoding="utf-8", errors="replace")


def read_handover(path: Path) -> tuple[Status, str, Mapping[str, Any]] | None:
    """Return the status, the reason and the rest that a child wrote; None where it is broken."""
    try:
        handed = json.loads(read_text(path))
        status, reason = handed["status"], str(handed["reason"])
        rest = handed.get("result", {})
    except (
        InvalidOutput,
        OSError,
        ValueError,
        KeyError,
        TypeError,
        AttributeError,
        RecursionError,
    ):
        return None
    if status not in SAYS or not isinstance(rest, dict):
        return None
    return status, " ".join(reason.split())[:_LONGEST_REASON], rest


def read_result(folder: Path, rest: Mapping[str, Any], info: Mapping[str, Any]) -> Result:
    """Return the result that a child left.

    Raises
    ------
    InvalidOutput
        A file is missing, not of the stack's size, or holds what no result may hold.
    """
    shape = (int(info["height_px"]), int(info["width_px"]))
    parts = {name: rest.get(name) for name in ("depth_unit", "reference", "used")}
    parts["image"] = read_array(folder / "image.npy", (*shape, 3))
    for name in ("depth", "confidence"):
        if os.path.lexists(folder / f"{name}.npy"):
            parts[name] = read_array(folder / f"{name}.npy", shape)
    return as_result(parts, info=info)


def read_array(path: Path, shape: tuple[int, ...]) -> npt.NDArray[Any]:
    """Return the numbers in a .npy file of a known shape; nothing is read before that is seen.

    Raises
    ------
    InvalidOutput
        No such file, another shape, no plain numbers, or another length than its head says.
    """
    with regular_file(path).open("rb") as file:
        try:
            found, by_columns, kind = _HEADERS[np.lib.format.read_magic(file)](file)
        except (ValueError, KeyError, SyntaxError, RecursionError, MemoryError) as error:
            raise InvalidOutput(f"{path.name} is no array: {error}") from None
        if found != shape:
            raise InvalidOutput(f"{path.name} has shape {found}, expected {shape}")
        if kind.kind not in "uif" or kind.itemsize > 8:
            raise InvalidOutput(f"{path.name} has type {kind}, allowed: numbers of up to 64 bits")
        left = os.fstat(file.fileno()).st_size - file.tell()
        if left != int(np.prod(shape)) * kind.itemsize:
            raise InvalidOutput(f"{path.name} has {left} bytes of numbers, not as many as it says")
        flat = np.frombuffer(file.read(left), kind)
    return flat.reshape(shape, order="F" if by_columns else "C")
