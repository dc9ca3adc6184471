"""A Python method in a process of its own: the side that runs there.

It says that it is ready, is told method and frames, calls the method, and leaves the result as .npy
files beside a small JSON file, in a folder of their own.
``python -m stacktruth.runners.isolate.child`` is the child.
"""

from __future__ import annotations

import errno
import importlib.util
import json
import os
import shutil
import socket
import sys
import time
import traceback
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from ...ground.frames import FrameFiles
from ...ground.text import plain_line
from ..contract import InvalidOutput, Result, Status, as_result
from .alarm import TimeIsUpError
from .enclose import CHANNEL
from .recorder import RECORD, record_files, tell_of_own_signals

#: The folder in a method's own in which its process leaves a result, and what says what is in it.
HANDED, HANDOVER = "handed-over", "handover.json"
#: Exit status of a child whose method is done but whose result cannot be written (sysexits.h).
NO_ROOM = os.EX_IOERR
_HOUSE = __name__.partition(".")[0]
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def load_function(spec: str) -> Callable[..., Any]:
    """Import ``path/to/file.py:function``; modules beside the file can be imported by it.

    Raises
    ------
    ValueError
        When the file has no such function.
    """
    path, _, name = spec.rpartition(":")
    file = Path(path).resolve()
    sys.path.insert(0, str(file.parent))
    module_spec = importlib.util.spec_from_file_location(file.stem, file)
    if module_spec is None or module_spec.loader is None:
        raise ValueError(f"{path} is not a Python file")
    module = importlib.util.module_from_spec(module_spec)
    sys.modules[file.stem] = module
    module_spec.loader.exec_module(module)
    function: Callable[..., Any] | None = getattr(module, name, None)
    if not callable(function):
        raise ValueError(f"{path} has no function {name!r}")
    return function


def call_guarded(
    call: Callable[[], Any], info: Mapping[str, Any], *, in_child: bool = False
) -> tuple[Status, str, Result | None, float]:
    """Call a method and catch what it raises; return status, reason, result and seconds.

    ``NotImplementedError`` is a method's way to say that this stack is not for it: skipped.
    """
    started = time.perf_counter()
    status: Status
    try:
        made = call()
        seconds = time.perf_counter() - started
        return "ok", "", as_result(made, info=info), seconds
    except NotImplementedError as error:
        status, reason = "skipped", _words(error) or "the method does not take this stack"
    except InvalidOutput as error:
        status, reason = "invalid-output", _words(error) or "the method says so"
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt) and not in_child:
            raise  # whoever started us wants to end
        # A child's stderr belongs to the outcome; ours is for people. Where it was when its time
        # ended does not matter.
        if in_child and not isinstance(error, TimeIsUpError):
            _print_traceback(error)
        status, reason = "failed", _describe(error)
    return status, reason, None, time.perf_counter() - started


def _words(error: BaseException) -> str:
    """Return what an error says, which may be anything, and may itself go wrong."""
    try:
        return plain_line(str(error), longest=300)
    except Exception:
        return "an error that cannot be told"


def _describe(error: BaseException) -> str:
    words = _words(error)
    if words and type(error).__module__.startswith(f"{_HOUSE}."):
        return words  # an error of our own kind is a whole sentence
    last = traceback.extract_tb(error.__traceback__, limit=-1)[-1]
    place = plain_line(Path(last.filename).name, longest=60)
    return f"{type(error).__name__[:60]}: {words} ({place}:{last.lineno})"


def _print_traceback(error: BaseException) -> None:
    try:
        traceback.print_exception(error)
    except Exception:
        print("an error whose traceback cannot be printed", file=sys.__stderr__)


def main() -> None:
    """Do the jobs that come by the channel, and leave each result in the working folder."""
    channel = socket.socket(fileno=int(os.environ.pop(CHANNEL)))
    channel.sendall(b"r")
    words, folder, load = channel.makefile("rb"), Path.cwd(), cache(_load_method)
    job = json.loads(words.readline())
    record_files(folder / RECORD)
    tell_of_own_signals(channel)
    while True:
        _do(job, load, folder)
        for stream in (sys.stdout, sys.stderr):
            with suppress(Exception):  # a method may have closed or replaced them
                stream.flush()
        channel.sendall(b"d")
        if not (job["stays"] and (line := words.readline())):
            break
        job = json.loads(line)
    if not job["stays"]:
        words.read(1)
    os._exit(0)  # the result is there: taking the interpreter apart is not the method's time


def _do(job: Mapping[str, Any], load: Callable[[str], Callable[..., Any]], folder: Path) -> None:
    """Do one job, and leave what came of it; `load` gives the method, in the method's time."""
    info, frames = job["info"], FrameFiles([Path(path) for path in job["paths"]])

    def call() -> Any:
        return load(job["method"])(frames, info, **job["parameters"])

    status, reason, result, _ = call_guarded(call, info, in_child=True)
    try:
        _hand_over(folder / HANDED, {"status": status, "reason": reason}, result)
    except OSError as error:
        traceback.print_exception(error)
        sys.exit(NO_ROOM if error.errno in _NO_ROOM else 1)


def _hand_over(place: Path, handed: dict[str, Any], result: Result | None) -> None:
    """Leave a result in a folder that nothing of the method's own is in, and then say so."""
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir()
    if result is not None:
        arrays = {name: getattr(result, name) for name in ("image", "depth", "confidence")}
        kept = {name: array for name, array in arrays.items() if array is not None}
        for name, array in kept.items():
            _save(place / f"{name}.npy", array)
        rest = {name: getattr(result, name) for name in ("depth_unit", "reference", "used")}
        handed["result"] = {"files": list(kept), **rest}
    (place / HANDOVER).write_text(json.dumps(handed))


def _save(path: Path, array: np.ndarray[Any, Any]) -> None:
    try:
        np.save(path, array)
        np.load(path, mmap_mode="r")  # save does not say when there is no room for its end
    except (OSError, ValueError) as error:
        if isinstance(error, OSError) and error.errno is not None:
            raise  # it names its reason; where only part was written, it does not
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path)) from error


def _load_method(method: str) -> Callable[..., Any]:
    if ".py:" in method:
        return load_function(method)
    from ..methods import built_in  # noqa: PLC0415 - only built-in methods need its imports

    return built_in(method)


if __name__ == "__main__":
    main()
