"""What is wrong with a request is told before anything is written."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


class RequestError(ValueError):
    """The request was wrong; nothing was written."""


@contextmanager
def request() -> Iterator[None]:
    """Call whatever goes wrong in this block a wrong request: a bad name, value or file."""
    try:
        yield
    except (ValueError, OSError) as error:
        raise RequestError(str(error)) from error


def new_path(path: str | Path) -> Path:
    """Return the path of a file or folder that is to be made.

    Raises
    ------
    RequestError
        It exists already, or it cannot: something above it is no folder.
    """
    path = Path(path)
    if os.path.lexists(path):
        raise RequestError(f"{path} exists already; give a new path, nothing was changed")
    above = next(folder for folder in path.absolute().parents if os.path.lexists(folder))
    if not above.is_dir():
        raise RequestError(f"{path}: {above} is no folder")
    if not os.access(above, os.W_OK | os.X_OK):
        raise RequestError(f"{path}: {above} may not be written to")
    return path


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a path to write to, of the same ending, that becomes `path` when all went well.

    Raises
    ------
    RequestError
        A file came to stand at `path` meanwhile; it was left alone.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f".{path.name}-", dir=path.parent) as place:
        draft = Path(place) / f"draft{path.suffix}"
        yield draft
        try:
            os.link(draft, path)  # unlike a rename, never takes the place of another file
        except OSError as error:
            if os.path.lexists(path):
                raise RequestError(f"{path} exists already; nothing was changed") from error
            draft.rename(path)  # a file system without hard links
