"""Whether files are as they were, seen without reading them."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

#: For each file: name, size, time of the last change (ns), number in the file system.
Stamps = tuple[tuple[str, int, int, int], ...]


def stamps_below(folder: Path) -> Stamps:
    """Return the stamps of all files below a folder; none where there is no folder."""
    found = []
    for entry in entries_below(folder):
        with suppress(OSError):
            if not entry.is_dir(follow_symlinks=False):
                seen = entry.stat(follow_symlinks=False)
                found.append((entry.path, seen.st_size, seen.st_mtime_ns, seen.st_ino))
    return tuple(sorted(found))


def entries_below(folder: str | Path) -> Iterator[os.DirEntry[str]]:
    """Yield all that is below a folder, as far as it can be opened; links are not followed.

    Folders may be nested to any depth, which takes no more of the call stack.
    """
    waiting = [str(folder)]
    while waiting:
        try:
            with os.scandir(waiting.pop()) as entries:
                here = list(entries)
        except OSError:
            continue
        yield from here
        waiting += [entry.path for entry in here if entry.is_dir(follow_symlinks=False)]
