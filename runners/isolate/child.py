"""A Python method in a process of its own: the side that starts it, and the side that runs there.

The child reads the frames lazily from their folder, calls the method, and hands the result back
as .npy files beside a small JSON file. ``python -m stacktruth.runners.isolate.child JOB.json`` is
the child.
"""

from __future__ import annotations

import errno
import importlib.util
import json
import os
import sys
import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from ...ground.frames import FrameFiles
from ..contract import InvalidOutput, Outcome, Result, Status, as_result, is_status
from .isolation import best_isolation
from .supervise import Limits, supervise
from .workplace import FROM_OUTSIDE, Workplace, lay_out_frames, outcome_of

_HANDOVER = "handover.json"
#: Exit status of a child whose method is done but whose result cannot be written (sysexits.h).
_NO_ROOM = os.EX_IOERR


def run_in_child(
    method: str, frames: Sequence[Any], info: Mapping[str, Any], *, place: Workplace, limits: Limits
) -> Outcome:
    """Run a method in a child process.

    Parameters
    ----------
    method : str
        ``path/to/file.py:function``, or the name of a built-in method.
    frames : sequence of ndarray or FrameFiles
    info : mapping
        The stack's frames.json.
    place : Workplace
        The run's own folder.
    limits : Limits
    """
    if isinstance(frames, FrameFiles):
        paths = list(frames.paths)
    else:
        names = [Path(frame["file"]).name for frame in info["frames"]]
        paths = lay_out_frames(frames, names, place.frames)
    job = place.folder / "job.json"
    job.write_text(
        json.dumps(
            {"method": method, "paths": [str(path.resolve()) for path in paths], "info": dict(info)}
        )
    )
    isolation = best_isolation()
    env = place.environment() | {"PYTHONPATH": os.environ.get("PYTHONPATH", "")}
    argv = [*isolation.prefix, sys.executable, "-P", "-m", __name__, str(job)]
    ended = supervise(argv, cwd=place.folder, env=env, limits=limits)
    outcome = outcome_of(ended, limits, isolation=isolation.name)
    if ended.returncode == _NO_ROOM:
        reason = f"{FROM_OUTSIDE}: no room for its result in {place.folder.parent}"
        return replace(outcome, status="killed", reason=reason, from_outside=True)
    return _handed_over(outcome, place.folder, info) if outcome else outcome


def _handed_over(outcome: Outcome, folder: Path, info: Mapping[str, Any]) -> Outcome:
    """Complete the outcome of a child that ended well by what it handed over."""
    handed = _read_handover(folder)
    outcome = replace(
        outcome,
        status=handed["status"],
        reason=handed["reason"],
        seconds=handed["seconds"],
        peak_mb=max(outcome.peak_mb or 0.0, handed.get("peak_mb", 0.0)),
    )
    if not outcome:
        return outcome
    try:
        return replace(outcome, result=_load_result(folder, handed, info))
    except (OSError, ValueError) as error:
        reason = f"the hand-over of the result is broken: {error}"
        return replace(outcome, status="invalid-output", reason=reason)


def _read_handover(folder: Path) -> dict[str, Any]:
    try:
        handed: dict[str, Any] = json.loads((folder / _HANDOVER).read_text())
        whole = is_status(handed["status"])
    except (OSError, ValueError, KeyError, TypeError):
        whole = False
    if not whole:
        return {"status": "failed", "reason": "ended without a result", "seconds": float("nan")}
    return handed


def _load_result(folder: Path, handed: Mapping[str, Any], info: Mapping[str, Any]) -> Result:
    parts = dict(handed["result"])
    for name in ("image", "depth", "confidence"):
        path = folder / f"{name}.npy"
        parts[name] = np.load(path, allow_pickle=False) if path.exists() else None
    return as_result(parts, info=info)


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


def main(job_path: str) -> None:
    """Run one job in this process and leave the hand-over beside the job file."""
    job = json.loads(Path(job_path).read_text())
    folder, info = Path(job_path).parent, job["info"]
    frames = FrameFiles([Path(path) for path in job["paths"]])
    status, reason, result, seconds = call_guarded(
        lambda: _load_method(job["method"])(frames, info), info
    )
    handed: dict[str, Any] = {"status": status, "reason": reason, "seconds": seconds}
    try:
        _hand_over(folder, handed, result)
    except OSError as error:
        traceback.print_exception(error)
        sys.exit(_NO_ROOM)


def _hand_over(folder: Path, handed: dict[str, Any], result: Result | None) -> None:
    if result is not None:
        _save(folder / "image.npy", result.image)
        if result.depth is not None:
            _save(folder / "depth.npy", result.depth)
        if result.confidence is not None:
            _save(folder / "confidence.npy", result.confidence)
        rest = {name: getattr(result, name) for name in ("depth_unit", "reference", "used")}
        handed["result"] = rest
    handed["peak_mb"] = _own_peak_mb()
    (folder / _HANDOVER).write_text(json.dumps(handed))


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


def _own_peak_mb() -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) * 1024 / 1e6
    return 0.0


if __name__ == "__main__":
    main(sys.argv[1])
