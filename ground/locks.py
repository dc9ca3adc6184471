"""Files that stand for a piece of work: whoever holds one keeps others from it."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any


@contextmanager
def locked(path: Path, *, wait: bool) -> Iterator[None]:
    """Keep others from a name; the file that stands for it goes with the lock.

    Parameters
    ----------
    path : Path
        Of that file.
    wait : bool
        Whether to wait while another has it.

    Raises
    ------
    BlockingIOError
        Another has it, and there is no waiting.
    """
    how = fcntl.LOCK_EX if wait else fcntl.LOCK_EX | fcntl.LOCK_NB
    while True:
        with path.open("a") as file:
            fcntl.flock(file, how)
            if not _has_name(file, path):
                continue  # whoever had it before took it away: lock what has the name by now
            try:
                yield
            finally:
                path.unlink(missing_ok=True)
            return


def _has_name(file: IO[Any], path: Path) -> bool:
    """Tell whether an open file is the one that has the name."""
    try:
        return os.path.samestat(os.fstat(file.fileno()), path.stat())
    except FileNotFoundError:
        return False
