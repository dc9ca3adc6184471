"""A Python method in a process of its own: the side that starts it."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from ...ground.frames import FrameFiles
from ..contract import InvalidOutput, Outcome
from .channel import Channel
from .child import NO_ROOM
from .handover import read_handover, read_result, taken_away
from .method import Method
from .supervise import Ended, Limits, supervise
from .walls import Walls, folders_of, how_apart, walled
from .workplace import (
    FROM_OUTSIDE,
    Workplace,
    lay_out_frames,
    outcome_of,
    short_of_room,
    told,
)

#: Where what was handed over is read, in a run's own folders.
TAKEN = "taken"
_CHILD = f"{__name__.rpartition('.')[0]}.child"


def run_in_child(
    method: Method,
    frames: Sequence[Any],
    info: Mapping[str, Any],
    *,
    place: Workplace,
    limits: Limits,
    hidden: Sequence[Path] = (),
) -> Outcome:
    """Run a method in a child process, on copies of the frames.

    A built-in method is our own code, and reads frames where they lie.

    Parameters
    ----------
    method : Method
        A built-in, or a Python function.
    frames : sequence of ndarray or FrameFiles
    info : mapping
        The stack's frames.json.
    place : Workplace
        The run's own folders.
    limits : Limits
    hidden : sequence of Path
        Folders with truth.
    """
    trusted = method.kind == "built-in" and isinstance(frames, FrameFiles)
    if trusted and isinstance(frames, FrameFiles):
        paths = [path.resolve() for path in frames.paths]
        info = dict(info)
    else:
        paths, info = laid_out(frames, info, place)

    def begin() -> bytes:
        if not trusted:
            place.hand_over_frames()
        return job_line(method, paths, info)

    given = folders_of(paths[:1]) if trusted else method.code_files
    argv, env = child_command(method, place, given=given, hidden=() if trusted else hidden)
    ended = supervise(argv, cwd=place.folder, env=env, limits=limits, channel=Channel(begin))
    return outcome_of_child(ended, place, info, limits)


def laid_out(
    frames: Sequence[Any], info: Mapping[str, Any], place: Workplace
) -> tuple[list[Path], dict[str, Any]]:
    """Lay out copies of frames, still held back; return where they will be, and what is told."""
    names = lay_out_frames(frames, place.held / "frames")
    return [place.frames / name for name in names], told(info, names)


def job_line(
    method: Method, paths: Sequence[Path], info: Mapping[str, Any], *, stays: bool = False
) -> bytes:
    """Return one job as the child is told it, in a line."""
    job = {
        "method": method.child_spec,
        "parameters": dict(method.parameters),
        "paths": [str(path) for path in paths],
        "info": info,
        "stays": stays,
    }
    return json.dumps(job).encode() + b"\n"


def child_command(
    method: Method, place: Workplace, *, given: Sequence[Path], hidden: Sequence[Path]
) -> tuple[list[str], dict[str, str]]:
    """Return the command that is a method's child behind its walls, and its environment."""
    walls = Walls(
        own=method.folders,
        given=tuple(given),
        hidden=tuple(hidden),
        env=_environment(method, place),
        keeps_channel=True,
    )
    argv = walled([sys.executable, "-P", "-m", _CHILD], walls, place=place)
    return argv, {"PATH": os.environ.get("PATH", os.defpath)}


def outcome_of_child(
    ended: Ended, place: Workplace, info: Mapping[str, Any], limits: Limits
) -> Outcome:
    """Return what came of one job, with the result that was handed over."""
    outcome = outcome_of(ended, limits, isolation=how_apart())
    if ended.returncode == NO_ROOM and short_of_room(place.root, info):
        reason = f"{FROM_OUTSIDE}: no room for its result in {place.root.parent}"
        return replace(outcome, status="killed", reason=reason, from_outside=True)
    return _handed_over(outcome, place, info) if outcome else outcome


def _environment(method: Method, place: Workplace) -> dict[str, str]:
    env = place.environment(method.environment)
    ours = os.environ.get("PYTHONPATH", "")
    env["PYTHONPATH"] = os.pathsep.join(filter(None, (env.get("PYTHONPATH"), ours)))
    return env


def _handed_over(outcome: Outcome, place: Workplace, info: Mapping[str, Any]) -> Outcome:
    """Complete the outcome of a child that ended well by what it handed over."""
    try:
        folder = taken_away(place.folder, place.root / TAKEN)
        said = read_handover(folder) if folder else None
        if folder is None or said is None:
            return replace(outcome, status="failed", reason="ended without a result")
        if said.result is None:
            return replace(outcome, status=said.status, reason=said.reason or "no reason given")
        return replace(outcome, result=read_result(folder, said.result, info))
    except (OSError, InvalidOutput) as error:
        return replace(outcome, status="invalid-output", reason=str(error))
