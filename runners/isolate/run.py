"""Run any method on a stack: a built-in, a Python file, or an outside program."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from ...ground.frames import FrameFiles
from ..contract import InvalidOutput, Outcome
from ..methods import built_in
from ..methods.oracle import GivenTruth
from .alarm import ended_after
from .child import call_guarded
from .external import Program
from .handover import read_text
from .identity import covered, loaded_by, whole_version
from .method import Method, UnknownMethodError, find_method
from .program_method import run_program
from .python_method import run_in_child
from .recorder import RECORD
from .staying import StayingMethods
from .supervise import Limits
from .workplace import Workplace, open_frames, workplace

__all__ = ["Method", "UnknownMethodError", "find_method", "run_method"]

DEFAULT_TIME_LIMIT_S = 600.0


def run_method(
    method: str | Method | Program,
    frames: Sequence[Any] | Path,
    info: Mapping[str, Any],
    *,
    time_limit_s: float | None = None,
    memory_limit_mb: float | None = None,
    work_dir: Path | None = None,
    truth: GivenTruth | None = None,
    hidden: Sequence[Path] = (),
    staying: StayingMethods | None = None,
) -> Outcome:
    """Run one method on one stack; whatever goes wrong in it is in the outcome.

    Parameters
    ----------
    method : str, Method or Program
        As for `find_method`.
    frames : sequence of ndarray, or Path
        The frames, or the folder they lie in. Files are read one at a time.
    info : mapping
        The stack's frames.json.
    time_limit_s : float, optional
        Wall time, s. The default for a Python file is 600 s; a program has its own limit.
    memory_limit_mb : float, optional
        Resident memory of all its processes, MB.
    work_dir : Path, optional
        Where the run's own folder is made (and removed); a temporary folder otherwise.
    truth : GivenTruth, optional
        For a truth-fed method.
    hidden : sequence of Path
        Folders with truth, beside the one around the folder of the frames.
    staying : StayingMethods, optional
        Keeps the process of a method that may stay loaded, for the next stack; without it, each
        run has a process of its own.

    Notes
    -----
    Only a process of its own can be held to a limit of memory. So a built-in runs in this process
    when there is none, or where a judge gives a truth and a limit of time alone; then its memory is
    not measured. A truth-fed method always runs here: the truth is never handed to another process.
    Its time is limited all the same.
    """
    if isinstance(method, str):
        method = find_method(method)
    elif isinstance(method, Program):
        method = Method(method.name, "program", method.name, method, environment=method.env)
    if isinstance(frames, str | Path):
        frames = open_frames(frames, info)
    limited = memory_limit_mb is not None or (time_limit_s is not None and truth is None)
    if method.kind == "built-in" and (method.needs_truth or not limited):
        return _run_here(method, frames, info, truth, time_limit_s)
    if isinstance(frames, FrameFiles):
        hidden = (*hidden, *{_around(path.resolve()) for path in frames.paths})
    own = method.program
    limits = Limits(
        time_s=time_limit_s or (own.time_limit_s if own else DEFAULT_TIME_LIMIT_S),
        memory_mb=memory_limit_mb or (own.memory_limit_mb if own else None),
        disk_mb=own.disk_limit_mb if own else Limits.disk_mb,
    )
    if staying is not None and method.stays_loaded:
        with staying.lent(method, limits=limits, hidden=hidden, work_dir=work_dir) as one:
            outcome = one.run(frames, info)
            outcome = _identified(outcome, method, one.place, since_ns=one.since_ns)
            one.loaded = dict(outcome.loaded)
            return replace(outcome, stays_loaded=True)
    with workplace(work_dir) as place:
        started = time.time_ns()
        if own is not None:
            outcome = run_program(
                method, own, frames, info, place=place, limits=limits, hidden=hidden
            )
        else:
            outcome = run_in_child(method, frames, info, place=place, limits=limits, hidden=hidden)
        return _identified(outcome, method, place, since_ns=started)


def _around(frame: Path) -> Path:
    """Return the folder of the stack that a frame lies in, or its own where it is in none."""
    folder = frame.parent
    return folder.parent if folder.name == "frames" else folder


def _identified(outcome: Outcome, method: Method, place: Workplace, *, since_ns: int) -> Outcome:
    """Complete an outcome by what the method is made of, as far as that is known."""
    loaded: dict[str, str] = {}
    recorded = False
    if method.kind == "python":
        try:
            opened = read_text(place.folder / RECORD).splitlines()
            loaded = loaded_by(opened, apart=[place.root], since_ns=since_ns)
            recorded = True
        except (InvalidOutput, OSError):
            pass
    beside = method.file.resolve().parent if method.file else None
    return replace(
        outcome,
        version=whole_version(method.version, loaded, beside=beside),
        covers=covered(method, loaded, recorded=recorded),
        loaded=tuple(loaded.items()),
    )


def _run_here(
    method: Method,
    frames: Sequence[Any],
    info: Mapping[str, Any],
    truth: GivenTruth | None,
    time_limit_s: float | None,
) -> Outcome:
    def call() -> Any:
        with ended_after(time_limit_s):
            return built_in(method.spec, truth=truth)(frames, info)

    status, reason, result, seconds = call_guarded(call, info)
    if time_limit_s is not None and seconds > time_limit_s:
        status, reason, result = "timed-out", f"took more than {time_limit_s:g} s", None
    return Outcome(
        status=status,
        reason=reason,
        result=result,
        seconds=seconds,
        version=method.version,
        covers=covered(method, {}, recorded=True),
    )
