"""Which files a method opened while it ran: imports, weights, settings; recorded as it goes.

It hears of what Python itself opens. What a library of compiled code opens by itself it does not.
"""

from __future__ import annotations

import os
import resource
import signal
import socket
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

RECORD = "opened.txt"


def record_files(path: Path) -> None:
    """Write the path of each file that this process opens for reading from now on, one a line.

    Written at once, so that the record is there however the process ends. An audit hook stays for
    the life of a process (Python, sys.addaudithook).

    Parameters
    ----------
    path : Path
        Of the record.
    """
    record = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o600)
    seen: set[str] = set()

    def note(name: str) -> None:
        if name not in seen and "\n" not in name:
            seen.add(name)
            with suppress(OSError):
                os.write(record, f"{os.path.abspath(name)}\n".encode("utf-8", "surrogateescape"))

    def hear(event: str, args: tuple[Any, ...]) -> None:
        if event == "open" and not _only_writes(args[2]):
            name = args[0]
        elif event in ("ctypes.dlopen", "import"):
            name = args[0] if event == "ctypes.dlopen" else args[1]
        else:
            return
        if isinstance(name, str | bytes):
            note(os.fsdecode(name))

    for module in packages_so_far():
        note(module)
    sys.addaudithook(hear)


def tell_of_own_signals(channel: socket.socket) -> None:
    """Tell whoever started this process when it asks for a signal that ends itself.

    Else such an end looks like one that was caused from outside, which is worth another try.
    """

    def hear(event: str, args: tuple[Any, ...]) -> None:
        own = (
            (event == "os.kill" and args[0] in (os.getpid(), 0, -1, -os.getpgrp()))
            or (event == "os.killpg" and args[0] in (0, os.getpgrp()))
            or event == "signal.pthread_kill"
            or (event == "resource.setrlimit" and args[0] == resource.RLIMIT_CPU)
        )
        if own and args[1] != signal.SIGCONT:
            with suppress(OSError):
                channel.sendall(b"k")

    sys.addaudithook(hear)


def _only_writes(flags: Any) -> bool:
    return isinstance(flags, int) and flags & os.O_ACCMODE == os.O_WRONLY


def packages_so_far() -> list[str]:
    """Return the files of the installed packages that are loaded, one a package."""
    files = [
        getattr(m, "__file__", None) for name, m in list(sys.modules.items()) if "." not in name
    ]
    return [file for file in files if file and "-packages" in file]
