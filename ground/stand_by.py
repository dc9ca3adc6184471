"""A process that stands by, with modules loaded, so that others are forked of it in no time."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing import (
    forkserver,
    get_start_method,
    set_forkserver_preload,
    set_start_method,
    util,
)
from pathlib import Path

from .litter import PREFIX, owner, remove_litter, removed
from .threads import one_thread_each

#: At a process's end `multiprocessing` removes its own temporary files with the priority -100.
_LAST = -101


def stand_by(*modules: str) -> None:
    """Start a process that loads modules, and stands by for as long as this one runs.

    It has no threads but its own, so that it may be forked, which this process may not. What other
    libraries start by `multiprocessing` comes of it as well, so this is for the start of a program
    of one's own. Where it is not safe or cannot be, or one core is all there is, nothing is done.

    Parameters
    ----------
    modules : str
        What the work of the processes needs.
    """
    if sys.platform == "linux" and len(os.sched_getaffinity(0)) > 1:
        set_start_method("forkserver", force=True)
        set_forkserver_preload(list(modules))
        try:
            with one_thread_each(), _own_temporary_files():
                forkserver.ensure_running()
        except OSError:  # the folder for temporary files takes no socket: its path is too long, ...
            set_start_method(None, force=True)


def one_stands_by() -> bool:
    """Whether this program has said that its processes are to come of one that stands by."""
    return get_start_method(allow_none=True) == "forkserver"


@contextmanager
def _own_temporary_files() -> Iterator[None]:
    """Have what is made meanwhile lie in a folder that goes at this process's end, or is found."""
    before, usual = tempfile.tempdir, Path(tempfile.gettempdir())
    remove_litter(usual)
    folder = usual / f"{PREFIX}{owner()}"  # short, for the path of a socket has to be
    folder.mkdir(mode=0o700, exist_ok=True)
    # After `multiprocessing` has removed what it made there.
    util.Finalize(None, removed, (folder,), exitpriority=_LAST)
    tempfile.tempdir = str(folder)
    try:
        yield
    finally:
        tempfile.tempdir = before
