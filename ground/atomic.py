"""Files and folders that appear whole or not at all.

Each is made beside its place under a hidden name of its own, and takes its name when all went
well. A process that is killed leaves at most the hidden draft behind.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from .litter import owner, remove_litter


class PathExistsError(FileExistsError):
    """The place for something new is taken; what stands there was left alone.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.path = path

    def __str__(self) -> str:
        return f"{self.path} exists already; nothing was changed"


def write_whole(path: Path, data: bytes) -> None:
    """Write a file, in place of any that stands there; it has all of the data or is as before.

    Returns when the data is on the disk.
    """
    handle, draft = tempfile.mkstemp(prefix=f".{path.name}-{owner()}-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(draft).chmod(0o644)  # a temporary file is for its owner alone
        Path(draft).replace(path)
    except BaseException:
        Path(draft).unlink(missing_ok=True)
        raise


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a path to write to, of the same ending, that becomes `path` when all went well.

    Raises
    ------
    PathExistsError
        Something came to stand at `path` meanwhile.
    """
    with _beside(path) as place:
        draft = place / f"draft{path.suffix}"
        yield draft
        try:
            os.link(draft, path)  # unlike a rename, never takes the place of another file
        except OSError as error:
            if os.path.lexists(path):
                raise PathExistsError(path) from error
            draft.rename(path)  # a file system without hard links


@contextmanager
def whole_folder(path: Path) -> Iterator[Path]:
    """Give an empty folder to write to that becomes `path` when all went well.

    Raises
    ------
    PathExistsError
        Something came to stand at `path` meanwhile.
    """
    with _beside(path) as place:
        draft = place / "draft"
        draft.mkdir()  # unlike the temporary folder around it, open to whom the system allows
        yield draft
        if os.path.lexists(path):  # a rename would take the place of an empty folder
            raise PathExistsError(path)
        try:
            draft.rename(path)
        except OSError as error:
            raise PathExistsError(path) if os.path.lexists(path) else error from None


@contextmanager
def _beside(path: Path) -> Iterator[Path]:
    """Give a temporary folder in the same file system, and make the folders above `path`.

    Drafts of killed processes beside it go first, whatever they would have become.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    remove_litter(path.parent, prefix=".")
    with tempfile.TemporaryDirectory(
        prefix=f".{path.name}-{owner()}-", dir=path.parent, ignore_cleanup_errors=True
    ) as place:
        yield Path(place)
