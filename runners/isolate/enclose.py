"""Closes the walls around a program, then becomes it.

Run as a file, with nothing but the standard library:
``python -I -S enclose.py WALLS.json -- COMMAND``. Whoever starts it holds the other end of a
channel: a word on it says that the command may begin, so that no time before it is the command's,
and no time of the command is left out.

Landlock (Linux 5.13; kernel documentation, userspace-api/landlock) lets a process give up the right
to open files, for itself and all that descend from it, for good. Where the system has none, the
folders that are to be hidden are covered, and every capability to uncover them is dropped.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import signal
import stat
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

#: Environment variable with the number of the channel's descriptor.
CHANNEL = "STACKTRUTH_CHANNEL"
#: Environment variable with the number of a pipe that takes how the command ended.
ENDING = "STACKTRUTH_ENDING"
#: What the pipe takes first: somebody will tell the rest, or else was killed.
STANDING = b"+"

# From linux/landlock.h; the numbers of the calls are the same on every architecture.
_CREATE, _ADD, _RESTRICT = 444, 445, 446
_WRITE_FILE, _READ_FILE, _READ_DIR, _REFER, _TRUNCATE = 1 << 1, 1 << 2, 1 << 3, 1 << 13, 1 << 14
_MAKE_AND_REMOVE = sum(1 << bit for bit in range(4, 13))
_OF_FILES = _WRITE_FILE | _READ_FILE | _TRUNCATE
_READ = _READ_FILE | _READ_DIR
_SCOPES = 0b11  # abstract sockets and signals to whoever is outside
# From linux/prctl.h, linux/mount.h and linux/capability.h.
_DEATH_SIGNAL, _NO_NEW_PRIVILEGES, _DROP_BOUND = 1, 38, 24
_READ_ONLY, _NO_DEVICES, _REMOUNT, _BIND = 1, 4, 32, 4096
_LAST_CAPABILITY = 63
_CAPABILITY_VERSION = 0x20080522

_libc = ctypes.CDLL(None, use_errno=True)


class _Ruleset(ctypes.Structure):
    _fields_ = (
        ("files", ctypes.c_uint64),
        ("network", ctypes.c_uint64),
        ("scopes", ctypes.c_uint64),
    )


class _Beneath(ctypes.Structure):
    _pack_ = 1
    _fields_ = (("allowed", ctypes.c_uint64), ("parent", ctypes.c_int32))


def landlock_version() -> int:
    """Return the version of Landlock that this system has; 0 or less: none."""
    return int(_libc.syscall(_CREATE, None, ctypes.c_size_t(0), ctypes.c_uint32(1)))


def restrict_by_landlock(
    *, read: list[str], given: list[str], write: list[str], listed: list[str], hidden: list[str]
) -> None:
    """Give up all files but those named.

    Parameters
    ----------
    read : list of str
        Files and folders that may be read, but for what is hidden in them. Missing ones are
        passed over.
    given, write : list of str
        Those that may be read, and also written, wherever they lie.
    listed : list of str
        Folders of which the names may be read.
    hidden : list of str
        Folders in those of `read` that may not be read.

    Raises
    ------
    OSError
        The system refused.
    """
    version = landlock_version()
    handled = _OF_FILES | _READ_DIR | _MAKE_AND_REMOVE | _REFER
    handled &= ~(_REFER if version < 2 else 0) & ~(_TRUNCATE if version < 3 else 0)
    rules = _Ruleset(handled, 0, _SCOPES if version >= 6 else 0)
    size = 24 if version >= 6 else 8
    ruleset = _checked(_libc.syscall(_CREATE, ctypes.byref(rules), ctypes.c_size_t(size), 0))
    for path, rights in _without(read, hidden):
        _allow(ruleset, path, rights)
    for names, rights in ((given, _READ), (write, handled), (listed, _READ_DIR)):
        for name in names:
            _allow(ruleset, Path(name), rights)
    _checked(_libc.prctl(_NO_NEW_PRIVILEGES, 1, 0, 0, 0))
    _checked(_libc.syscall(_RESTRICT, ctypes.c_int(ruleset), ctypes.c_uint32(0)))
    os.close(ruleset)


def _allow(ruleset: int, path: Path, rights: int) -> None:
    try:
        opened = os.open(path, os.O_PATH | os.O_CLOEXEC)
    except OSError:
        return
    if not stat.S_ISDIR(os.fstat(opened).st_mode):
        rights &= _OF_FILES  # the kernel refuses rights that a file cannot have
    rule = _Beneath(rights, opened)
    added = _libc.syscall(_ADD, ctypes.c_int(ruleset), 1, ctypes.byref(rule), ctypes.c_uint32(0))
    os.close(opened)
    _checked(added)


def _without(names: list[str], hidden: list[str]) -> Iterator[tuple[Path, int]]:
    """Yield what is named with its rights, in pieces where something in it is hidden."""
    covers = [Path(name).resolve() for name in hidden]
    for name in names:
        yield from _pieces(Path(name).resolve(), covers)


def _pieces(path: Path, covers: list[Path]) -> Iterator[tuple[Path, int]]:
    if any(path == cover or cover in path.parents for cover in covers):
        return
    if not any(path in cover.parents for cover in covers):
        yield path, _READ
        return
    yield path, _READ_DIR  # a folder that cannot be listed cannot be imported from
    with contextlib.suppress(OSError):
        for entry in path.iterdir():
            if not entry.is_symlink():  # what it points to has a rule of its own, or none
                yield from _pieces(entry, covers)


def cover_by_mounts(*, hidden: list[str], read_only: list[str]) -> None:
    """Lay empty folders over those that are to be hidden, and give up the right to remove them.

    Raises
    ------
    OSError
        The system refused; a mount namespace of one's own is needed.
    """
    for name in hidden:
        _mount("tmpfs", name, "tmpfs", _READ_ONLY, "mode=0")
    for name in read_only:
        _mount(name, name, "", _BIND)
        _mount(name, name, "", _BIND | _REMOUNT | _READ_ONLY)
    for number in range(_LAST_CAPABILITY + 1):
        _libc.prctl(_DROP_BOUND, number, 0, 0, 0)  # fails beyond the last that there is
    header = (ctypes.c_uint32 * 2)(_CAPABILITY_VERSION, 0)
    _checked(_libc.capset(ctypes.byref(header), ctypes.byref((ctypes.c_uint32 * 6)())))
    _checked(_libc.prctl(_NO_NEW_PRIVILEGES, 1, 0, 0, 0))


def _mount(source: str, target: str, kind: str, flags: int, data: str = "") -> None:
    words = [word.encode() for word in (source, target, kind)]
    _checked(_libc.mount(*words, ctypes.c_ulong(flags), data.encode()))


def _checked(value: int) -> int:
    if value < 0:
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
    return value


def close_walls(walls: dict[str, Any]) -> None:
    """Do what the file of walls asks for.

    Raises
    ------
    OSError
        The system refused.
    """
    if walls["own_mounts"]:  # and so shared memory of its own
        with contextlib.suppress(OSError):
            _mount("tmpfs", "/dev/shm", "tmpfs", _NO_DEVICES, "mode=1777,size=25%")
    if walls["kind"] == "landlock":
        names = {name: walls[name] for name in ("read", "given", "write", "listed", "hidden")}
        restrict_by_landlock(**names)
    elif walls["kind"] == "mounts":
        if not walls["own_mounts"]:
            raise OSError("mounts are shared with all others here")
        cover_by_mounts(hidden=walls["hidden"], read_only=walls["read_only"])


def main(walls_path: str, command: list[str]) -> None:
    """Close the walls, wait for the word, and become the command, or stand by for it."""
    ending = os.environ.get(ENDING)
    if ending is not None:
        os.write(int(ending), STANDING)
    walls = json.loads(Path(walls_path).read_text(encoding="utf-8"))
    channel = os.environ.get(CHANNEL)
    kept = {name: value for name, value in os.environ.items() if name.startswith("STACKTRUTH_")}
    close_walls(walls)
    if channel is not None and not walls["keeps_channel"]:
        os.write(int(channel), b"r")
        os.read(int(channel), 1)
        os.close(int(channel))
        del kept[CHANNEL]
    kept.pop(ENDING, None)
    env = {**walls["env"], **kept}
    if ending is None:
        os.execve(command[0], command, env)
    _stand_by(command, env, ending=int(ending), channel=kept.get(CHANNEL))


def _stand_by(command: list[str], env: dict[str, str], *, ending: int, channel: str | None) -> None:
    """Run the command as a child, take in what it leaves orphaned, and tell how it ended.

    The first process of a namespace is spared all signals that it does not ask for, its own too.
    So the command must not be that. And what starts namespaces tells an exit status of 137 and an
    end by SIGKILL apart no more: the word goes by a pipe that the command does not have.
    """
    os.set_inheritable(ending, False)
    number = os.fork()
    if number == 0:
        _libc.prctl(_DEATH_SIGNAL, signal.SIGKILL, 0, 0, 0)  # it does not outlive us
        os.execve(command[0], command, env)
    if channel is not None:
        os.close(int(channel))
    for stream in (1, 2):  # else whoever reads them waits for us
        os.close(stream)
    while True:
        ended, status = os.wait()
        if ended == number:
            os.write(ending, status.to_bytes(4, "little"))
            os._exit(0)


if __name__ == "__main__":
    try:
        main(sys.argv[1], sys.argv[3:])
    except OSError:
        if ENDING in os.environ:  # the exit status that follows is our own
            os.write(int(os.environ[ENDING]), (1 << 8).to_bytes(4, "little"))
        raise
