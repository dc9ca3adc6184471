"""Runs an outside program on copies of the frames, and reads what it wrote."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..contract import InvalidOutput, Outcome, Result, as_result
from .channel import Channel
from .external import Program, executable_facts, expand, reference_of
from .method import Method
from .picture_files import read_picture
from .supervise import Limits, supervise
from .walls import Walls, how_apart, walled
from .workplace import Workplace, lay_out_frames, outcome_of


def run_program(
    method: Method,
    program: Program,
    frames: Sequence[Any],
    info: Mapping[str, Any],
    *,
    place: Workplace,
    limits: Limits,
    hidden: Sequence[Path] = (),
) -> Outcome:
    """Run an outside program on copies of the frames.

    Parameters
    ----------
    method : Method
    program : Program
        The method's own.
    frames : sequence of ndarray or FrameFiles
    info : mapping
        The stack's frames.json.
    place : Workplace
        The run's own folders.
    limits : Limits
    hidden : sequence of Path
        Folders with truth.
    """
    command = program.resolved(method.base)
    executable = shutil.which(command[0])
    if executable is None:
        return Outcome(status="failed", reason=f"program {program.command[0]!r} is not installed")
    names = lay_out_frames(frames, place.held / "frames", as_format=program.image_format)
    place.hand_over_frames()
    paths = [place.frames / name for name in names]
    asked = paths[info.get("reference", 0)]
    words = expand(program, command[1:], paths, place.folder, reference=asked)
    argv = [executable, *words]
    env = place.environment(method.environment)
    walls = Walls(own=method.folders, given=method.code_files, hidden=tuple(hidden), env=env)
    ended = supervise(
        walled(argv, walls, place=place),
        cwd=place.folder,
        env={"PATH": os.environ.get("PATH", os.defpath)},
        limits=limits,
        channel=Channel(lambda: b"g"),
    )
    outcome = replace(
        outcome_of(ended, limits, isolation=how_apart()),
        notes=tuple(executable_facts(program).items()),
    )
    if not outcome:
        return outcome
    try:
        return replace(outcome, result=collect(program, place.folder, info))
    except (OSError, InvalidOutput, ValueError) as error:
        return replace(outcome, status="invalid-output", reason=str(error))


def collect(program: Program, folder: Path, info: Mapping[str, Any]) -> Result:
    """Read what a program wrote: the picture, and the depth map if it made one.

    Raises
    ------
    InvalidOutput
        The file is missing, is a link, is too large, or is no picture of the stack's size.
    """
    shape = (int(info["height_px"]), int(info["width_px"]))
    parts: dict[str, Any] = {
        "image": read_picture(folder / program.output, (*shape, 3)),
        "reference": reference_of(program, info),
    }
    wants_depth = any("{depth_output}" in part for part in program.command)
    if wants_depth and os.path.lexists(folder / program.depth_output):
        depth = read_picture(folder / program.depth_output, shape)
        parts |= {"depth": depth, "depth_unit": program.depth_unit}
    return as_result(parts, info=info)
