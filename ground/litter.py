"""Temporary files and folders that say whose they are, so that the next start finds what was left.

A process that is killed cannot clear up. What it makes for itself has its number and its start in
the name; whoever finds such a name with no such process alive takes it away.
"""

from __future__ import annotations

import os
import re
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from hashlib import sha256
from pathlib import Path

from .process_stat import STARTED, stat_fields
from .stamps import entries_below

#: Beginning of the names of temporary folders.
PREFIX = "stacktruth-"
_OWNER = re.compile(r"@([0-9a-f]{8})\.(\d+)\.(\d+)@")


def owner() -> str:
    """Return this process's mark, to be put into a name."""
    number = os.getpid()
    return f"@{_machine()}.{number}.{_started(number) or 0}@"


def is_left_over(name: str) -> bool:
    """Tell whether a name bears the mark of a process of this machine that is no more."""
    found = _OWNER.search(name)
    if found is None or found[1] != _machine():
        return False
    return _started(int(found[2])) != int(found[3])


def remove_litter(folder: Path, prefix: str = PREFIX) -> list[str]:
    """Remove what processes that are no more left in a folder; return the names.

    Parameters
    ----------
    folder : Path
    prefix : str
        What the names begin with.
    """
    gone = []
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in list(entries):
            if not entry.name.startswith(prefix) or not is_left_over(entry.name):
                continue
            with suppress(OSError):
                if entry.stat(follow_symlinks=False).st_uid != os.getuid():
                    continue
                path = Path(entry.path)
                if entry.is_dir(follow_symlinks=False):
                    removed(path)
                else:
                    path.unlink()
                gone.append(entry.name)
    return gone


@contextmanager
def temporary_folder(what: str) -> Iterator[Path]:
    """Give an empty folder among the temporary files; what killed processes left there goes first.

    Parameters
    ----------
    what : str
        What it is for, a word of its name.
    """
    remove_litter(Path(tempfile.gettempdir()))
    with tempfile.TemporaryDirectory(
        prefix=f"{PREFIX}{what}-{owner()}-", ignore_cleanup_errors=True
    ) as place:
        yield Path(place).resolve()


def removed(folder: Path) -> bool:
    """Remove a folder with all in it, also what was closed or is deep; tell whether it is gone.

    Links are removed, not followed. Nothing is raised where something cannot be removed.
    """
    below = []
    with suppress(OSError):
        folder.chmod(0o700)
    for entry in entries_below(folder):
        below.append(entry)
        with suppress(OSError):
            closed = not os.access(entry.path, os.W_OK | os.X_OK, follow_symlinks=False)
            if closed and entry.is_dir(follow_symlinks=False):
                os.chmod(entry.path, 0o700)  # before it is looked into
    for entry in reversed(below):
        with suppress(OSError):
            is_folder = entry.is_dir(follow_symlinks=False)
            os.rmdir(entry.path) if is_folder else os.unlink(entry.path)
    with suppress(OSError):
        folder.rmdir()
    if os.path.lexists(folder):  # deeper than a path is long
        with suppress(OSError, subprocess.SubprocessError):
            told = ["rm", "-rf", "--", str(folder)]
            subprocess.run(told, stderr=subprocess.DEVNULL, timeout=60, check=False)
    return not os.path.lexists(folder)


@cache
def _machine() -> str:
    """Return what tells machines, and process numbers of containers on one, apart."""
    try:
        numbers = os.readlink("/proc/self/ns/pid")
    except OSError:
        numbers = ""
    return sha256(f"{socket.gethostname()} {numbers}".encode()).hexdigest()[:8]


def _started(number: int) -> int | None:
    """Return when a process was started, in ticks since the machine was; None: there is none."""
    try:
        fields = stat_fields(number)
    except OSError:
        return None
    return None if fields[0] in (b"Z", b"X") else int(fields[STARTED])
