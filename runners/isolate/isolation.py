"""How well a program can be isolated on this machine, found by trying.

The level is recorded in every row. It keeps programs from the network and from other processes, and
makes sure that none of theirs stays behind; `walls` keeps them from files.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import dataclass
from functools import cache


@dataclass(frozen=True)
class Isolation:
    """A way to start a program.

    Parameters
    ----------
    name : str
        What is recorded.
    prefix : tuple of str
        Put before the program's own arguments.
    """

    name: str
    prefix: tuple[str, ...] = ()


#: Ends a program when the process that started it has gone, even by kill -9.
_LEASH = ("setpriv", "--pdeathsig", "KILL", "--")
PATIENCE_S = 60  # so that a level that works is not taken for broken on a busy machine
SESSION = Isolation("own session")
# Shared memory and semaphores of a namespace for itself end with it.
_USER = ("--user", "--map-root-user", "--net", "--ipc")
_NAMESPACES = (*_USER, "--mount", "--pid", "--fork", "--kill-child")
_LEVELS = (
    ("own session, process numbers and /proc, no network", (*_NAMESPACES, "--mount-proc")),
    ("own session and process numbers, no network", _NAMESPACES),
    ("own session, no network", _USER),
)


@cache
def best_isolation() -> Isolation:
    """Return the strongest level that works here; at worst a session of its own."""
    leash = _LEASH if _works(_LEASH) else ()
    unshare = shutil.which("unshare")
    if unshare:
        for name, options in _LEVELS:
            prefix = (*leash, unshare, *options, "--")
            if _works(prefix):
                return Isolation(name, prefix)
    return Isolation(SESSION.name, leash)


def ends_with_us() -> bool:
    """Tell whether what is started here ends when this process has gone, even by kill -9."""
    return best_isolation().prefix[: len(_LEASH)] == _LEASH


def _works(prefix: tuple[str, ...]) -> bool:
    try:
        tried = subprocess.run(
            [*prefix, sys.executable, "-I", "-S", "-c", ""],  # what is started in it
            capture_output=True,
            timeout=PATIENCE_S,
            check=False,
            stdin=subprocess.DEVNULL,
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
    return tried.returncode == 0
