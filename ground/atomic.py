"""Files and folders that appear whole or not at all.

Each is made beside its place under a hidden name of its own, and takes its name when all went
well. A process that is killed leaves at most the hidden draft behind.
"""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from .litter import owner, remove_litter

# What says that nothing can be written; who wrote less than it should names no reason at all.
_NO_WRITING = (None, errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EFBIG, errno.EIO)


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


class NotWrittenError(OSError):
    """A file or folder could not be written: no room, no permission; nothing of it was left.

    Parameters
    ----------
    path : Path
        What was to be made.
    error : OSError
        What the system said, which may name no file.
    """

    def __init__(self, path: Path, error: OSError) -> None:
        reason = error.strerror or " ".join(str(error).split())
        super().__init__(error.errno or errno.EIO, reason, str(path))

    def __str__(self) -> str:
        return f"{self.filename}: {self.strerror}; nothing of it was left there"


@contextmanager
def _not_written(path: Path) -> Iterator[None]:
    """Say what was to be made where the system names no file."""
    try:
        yield
    except OSError as error:
        nameless = error.filename is None and not isinstance(error, PathExistsError)
        if not nameless or error.errno not in _NO_WRITING:
            raise
        raise NotWrittenError(path, error) from error


def write_whole(path: Path, data: bytes | memoryview, *, sync: bool = True) -> None:
    """Write a file, in place of any that stands there; it has all of the data or is as before.

    Parameters
    ----------
    path : Path
    data : bytes or memoryview
    sync : bool
        Whether to return when the data is on the disk, and not before.

    Raises
    ------
    OSError
        It cannot be written; the message names it.
    """
    with _not_written(path):
        _write_whole(path, data, sync=sync)


def _write_whole(path: Path, data: bytes | memoryview, *, sync: bool) -> None:
    handle, draft = tempfile.mkstemp(prefix=f".{path.name}-{owner()}-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            if sync:
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
    OSError
        It cannot be written; the message names it.
    """
    with _not_written(path), _beside(path) as place:
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
    OSError
        It cannot be written; the message names it.
    """
    with _not_written(path), _beside(path) as place:
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
