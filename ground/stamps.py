"""Whether files are as they were, seen without reading them."""

from __future__ import annotations

import os
from pathlib import Path

#: For each file: name, size, time of the last change (ns), number in the file system.
Stamps = tuple[tuple[str, int, int, int], ...]


def stamps_below(folder: Path) -> Stamps:
    """Return the stamps of all files below a folder; none where there is no folder."""
    found = []
    for above, _, names in os.walk(folder):
        for name in names:
            path = os.path.join(above, name)
            try:
                seen = os.lstat(path)
            except OSError:
                continue
            found.append((path, seen.st_size, seen.st_mtime_ns, seen.st_ino))
    return tuple(sorted(found))
