"""A Python method in a process of its own: the side that runs there.

It says that it is ready, is told method and frames, calls the method, and leaves the result as .npy
files beside a small JSON file. ``python -m stacktruth.runners.isolate.child`` is the child.
"""

from __future__ import annotations

import errno
import importlib.util
import json
import os
import socket
import sys
import time
import traceback
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from ...ground.frames import FrameFiles
from ..contract import InvalidOutput, Result, Status, as_result
from .enclose import CHANNEL
from .recorder import RECORD, record_files

HANDOVER = "handover.json"
#: Exit status of a child whose method is done but whose result cannot be written (sysexits.h).
NO_ROOM = os.EX_IOERR


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
    call: Callable[[], Any], info: Mapping[str, Any]
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
        status, reason = "skipped", str(error) or "the method does not take this stack"
    except InvalidOutput as error:
        status, reason = "invalid-output", str(error)
    except (Exception, SystemExit) as error:
        traceback.print_exc()
        status, reason = "failed", _describe(error)
    return status, reason, None, time.perf_counter() - started


def _describe(error: BaseException) -> str:
    message = " ".join(str(error).split())[:300]
    last = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__}: {message} ({Path(last.filename).name}:{last.lineno})"


def main() -> None:
    """Do the one job that comes by the channel, and leave the hand-over in the working folder."""
    channel = socket.socket(fileno=int(os.environ.pop(CHANNEL)))
    channel.sendall(b"r")
    job = json.loads(channel.makefile("rb").readline())
    info, folder = job["info"], Path.cwd()
    frames = FrameFiles([Path(path) for path in job["paths"]])
    record_files(folder / RECORD)
    call = partial(_call, job["method"], frames, info, job["parameters"])
    status, reason, result, _ = call_guarded(call, info)
    try:
        _hand_over(folder, {"status": status, "reason": reason}, result)
    except OSError as error:
        traceback.print_exception(error)
        sys.exit(NO_ROOM)
    channel.sendall(b"d")
    channel.recv(1)
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(0)  # the result is there: taking the interpreter apart is not the method's time


def _call(method: str, frames: FrameFiles, info: Any, parameters: Mapping[str, Any]) -> Any:
    return _load_method(method)(frames, info, **parameters)


def _hand_over(folder: Path, handed: dict[str, Any], result: Result | None) -> None:
    if result is not None:
        _save(folder / "image.npy", result.image)
        if result.depth is not None:
            _save(folder / "depth.npy", result.depth)
        if result.confidence is not None:
            _save(folder / "confidence.npy", result.confidence)
        rest = {name: getattr(result, name) for name in ("depth_unit", "reference", "used")}
        handed["result"] = rest
    (folder / HANDOVER).write_text(json.dumps(handed))


def _save(path: Path, array: np.ndarray[Any, Any]) -> None:
    np.save(path, array)
    try:
        np.load(path, mmap_mode="r")  # save does not say when there is no room for its end
    except ValueError as error:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path)) from error


def _load_method(method: str) -> Callable[..., Any]:
    if ".py:" in method:
        return load_function(method)
    from ..methods import built_in  # noqa: PLC0415 - only built-in methods need its imports

    return built_in(method)


if __name__ == "__main__":
    main()
