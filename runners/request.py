"""Wrong requests are refused before anything is written."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ..ground import atomic


class RequestError(ValueError):
    """The request was wrong; nothing was written."""


class StoppedError(RuntimeError):
    """The work cannot go on for a reason outside it, in a sentence; what is done is kept."""


@contextmanager
def request() -> Iterator[None]:
    """Turn errors in this block, such as a bad name, value or file, into `RequestError`."""
    try:
        yield
    except (ValueError, OSError) as error:
        raise RequestError(str(error)) from error


def new_path(path: str | Path) -> Path:
    """Return the path of a file or folder that is to be made.

    Raises
    ------
    RequestError
        It exists already, or it cannot be made: what is above it is not a folder, or closed.
    """
    path = Path(path)
    if os.path.lexists(path):
        raise RequestError(
            f"{path} exists already: got a path that is taken, allowed a new path; nothing "
            "was changed"
        )
    above = next(folder for folder in path.absolute().parents if os.path.lexists(folder))
    if not above.is_dir():
        raise RequestError(
            f"{path}: got {above}, which is not a folder, allowed a place in a folder"
        )
    if not os.access(above, os.W_OK | os.X_OK):
        raise RequestError(
            f"{path}: got {above}, which may not be written to, allowed one that may"
        )
    return path


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a path to write to, of the same ending, that becomes `path` when all went well.

    Raises
    ------
    RequestError
        A file came to stand at `path` meanwhile; it was left alone.
    """
    try:
        with atomic.whole_file(path) as draft:
            yield draft
    except atomic.PathExistsError as error:
        raise RequestError(str(error)) from error


@contextmanager
def whole_folder(path: Path) -> Iterator[Path]:
    """Give a folder to write to that becomes `path` when all went well.

    Raises
    ------
    RequestError
        Something came to stand at `path` meanwhile; it was left alone.
    """
    try:
        with atomic.whole_folder(path) as draft:
            yield draft
    except atomic.PathExistsError as error:
        raise RequestError(str(error)) from error
