"""A group of processes whose memory the kernel holds to a limit, where it lets us make one.

Looking at processes many times a second sees what they take, and tells whose fault it was; what
eats a gigabyte between two looks only the kernel stops. Control groups do (Linux,
admin-guide/cgroup-v2 and cgroup-v1/memory). Where none may be made, looking is all there is.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from ...ground.litter import PREFIX, is_left_over, owner

_ROOT = Path("/sys/fs/cgroup")
# The kernel steps in above what looking allows, so that whoever goes over slowly is told by that.
_MORE, _ROOM_BYTES = 1.1, 64_000_000


@dataclass(frozen=True)
class MemoryGroup:
    """A control group; what its processes start is in it.

    Parameters
    ----------
    folder : Path
        Of the group, in the kernel's file system.
    """

    folder: Path

    def add(self, processes: Sequence[int]) -> None:
        """Put processes into the group; those that are gone, or may not be, are passed over."""
        for number in processes:
            with suppress(OSError):
                (self.folder / "cgroup.procs").write_text(str(number))

    def has_killed(self) -> bool:
        """Tell whether the kernel ended a process of the group for its memory."""
        for name in ("memory.events", "memory.oom_control"):
            with suppress(OSError):
                for line in (self.folder / name).read_text().splitlines():
                    key, _, count = line.partition(" ")
                    if key == "oom_kill" and int(count):
                        return True
        return False

    def remove(self) -> None:
        """Remove the group, which has no process any more."""
        with suppress(OSError):
            self.folder.rmdir()


def memory_group(limit_mb: float | None) -> MemoryGroup | None:
    """Make a group with a limit; None without a limit, or where none may be made.

    Parameters
    ----------
    limit_mb : float or None
        MB (1e6 bytes); the kernel ends what goes well above it.
    """
    above = _above()
    if limit_mb is None or above is None:
        return None
    most = int(limit_mb * 1e6 * _MORE) + _ROOM_BYTES
    try:
        made = Path(tempfile.mkdtemp(prefix=f"{PREFIX}run-{owner()}-", dir=above))
    except OSError:
        return None
    group = MemoryGroup(made)
    try:
        _limit(made, most)
    except OSError:
        group.remove()
        return None
    return group


def how_memory_is_held() -> str:
    """Return in a sentence how limits of memory are held on this machine."""
    if _above() is None:
        return "by looking at the processes many times a second: no control group may be made here"
    return "by the kernel, in a control group, and by looking at the processes"


def _limit(folder: Path, most: int) -> None:
    if (folder / "memory.max").exists():  # version 2
        (folder / "memory.max").write_text(str(most))
        with suppress(OSError):  # no swap on this machine
            (folder / "memory.swap.max").write_text("0")
        return
    (folder / "memory.limit_in_bytes").write_text(str(most))
    with suppress(OSError):
        (folder / "memory.memsw.limit_in_bytes").write_text(str(most))


@cache
def _above() -> Path | None:
    """Return the group that groups for runs are made in; None where there is none.

    Of version 2 that is the one of this process where its groups may have limits of memory; the
    kernel allows no such groups beside processes, unless it is the first of all.
    """
    for folder in _own_groups():
        if not os.access(folder, os.W_OK):
            continue
        _clear(folder)
        with suppress(OSError):
            tried = Path(tempfile.mkdtemp(prefix=f"{PREFIX}run-{owner()}-", dir=folder))
            try:
                _limit(tried, _ROOM_BYTES)
            except OSError:
                continue
            else:
                return folder
            finally:
                tried.rmdir()
    return None


def _own_groups() -> list[Path]:
    """Return where this process's own groups may lie, by what the kernel tells of it."""
    found = []
    with suppress(OSError):
        for line in Path("/proc/self/cgroup").read_text().splitlines():
            number, controllers, path = line.split(":", 2)
            if "memory" in controllers.split(","):
                found.append(_ROOT / "memory" / path.lstrip("/"))
            elif number == "0":
                found += [_ROOT / path.lstrip("/"), _ROOT / "unified" / path.lstrip("/")]
    return [
        folder
        for folder in found
        if (folder / "memory.limit_in_bytes").exists() or _gives_memory(folder)
    ]


def _gives_memory(folder: Path) -> bool:
    with suppress(OSError):
        return "memory" in (folder / "cgroup.subtree_control").read_text().split()
    return False


def _clear(folder: Path) -> None:
    """Remove groups of killed processes; a group has no files to remove first."""
    with suppress(OSError):
        for entry in list(folder.iterdir()):
            if entry.name.startswith(PREFIX) and is_left_over(entry.name):
                with suppress(OSError):
                    entry.rmdir()
