"""Run any method on a stack: a built-in, a Python file, or an outside program."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from ...ground.checksum import file_sha256
from ...ground.sources import code_checksum
from ...simulator.data import is_file, shown
from ..contract import Outcome
from ..methods import METHODS, built_in, needs_truth
from ..methods.oracle import GivenTruth
from .child import call_guarded, run_in_child
from .external import Program, executable_facts, load_programs, program_from_line, run_program
from .supervise import Limits
from .workplace import open_frames, workplace

Kind = Literal["built-in", "python", "program"]
DEFAULT_TIME_LIMIT_S = 600.0


class UnknownMethodError(ValueError):
    """No method goes by this description: nothing was run."""


@dataclass(frozen=True)
class Method:
    """A method under test, found but not yet run.

    Parameters
    ----------
    name : str
        Name in the tables.
    kind : {"built-in", "python", "program"}
    spec : str
        What the user wrote.
    program : Program, optional
        Of an outside program.
    """

    name: str
    kind: Kind
    spec: str
    program: Program | None = None

    @property
    def needs_truth(self) -> bool:
        """Whether it is truth-fed: stages of it are given the truth."""
        return self.kind == "built-in" and needs_truth(self.spec)

    @property
    def view_is_unknown(self) -> bool:
        """Whether the frame in whose view it merges is to be looked for in its picture."""
        return self.program is not None and self.program.reference == "own"

    @cached_property
    def version(self) -> str:
        """Checksum of the code: of the file, of the executable, or of the built-in methods."""
        if self.program is not None:
            return executable_facts(self.program).get("sha256", "")
        if self.kind == "python":
            return file_sha256(self.spec.rpartition(":")[0])
        return code_checksum("runners.methods")


def find_method(spec: str, *, programs: str | Path | None = None) -> Method:
    """Find the method that a description means.

    Parameters
    ----------
    spec : str
        Name of a built-in, perhaps with other stages than its own (``laplacian-pyramid``,
        ``laplacian-pyramid+local-gain``, ``laplacian-pyramid+true-warp``),
        ``path/to/file.py:function``, a command line with ``{output}``, or the name of a program
        in the file `programs`.
    programs : path, optional
        A file of programs, see `runners.isolate.external.load_programs`.

    Raises
    ------
    UnknownMethodError, runners.isolate.external.ProgramError
    """
    if "{output}" in spec:
        program = program_from_line(spec)
        return Method(program.name, "program", spec, program)
    path, colon, function = spec.rpartition(":")
    if colon and path.endswith(".py"):
        if not is_file(Path(path)):
            raise UnknownMethodError(f"method {shown(spec)}: there is no file {shown(path)}")
        if not function.isidentifier():
            raise UnknownMethodError(
                f"{path}: function: got {shown(function)}, allowed the name of a function"
            )
        return Method(f"{Path(path).stem}:{function}", "python", spec)
    known = load_programs(programs) if programs is not None else {}
    if spec in known:
        return Method(spec, "program", spec, known[spec])
    try:
        built_in(spec)
    except KeyError:
        names = ", ".join([*METHODS, *known])
        raise UnknownMethodError(
            f"unknown method {shown(spec)}; allowed: {names}, FILE.py:FUNCTION, "
            "or a command line with {output}"
        ) from None
    return Method(spec, "built-in", spec)


def run_method(
    method: str | Method | Program,
    frames: Sequence[Any] | Path,
    info: Mapping[str, Any],
    *,
    time_limit_s: float | None = None,
    memory_limit_mb: float | None = None,
    work_dir: Path | None = None,
    truth: GivenTruth | None = None,
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

    Notes
    -----
    Only a process of its own can be held to a limit. So a built-in runs in this process when
    there is no limit, and then its memory is not measured; with a limit it runs in a child. A
    truth-fed method always runs here: the truth is never handed to another process.
    """
    if isinstance(method, str):
        method = find_method(method)
    elif isinstance(method, Program):
        method = Method(method.name, "program", method.name, method)
    if isinstance(frames, str | Path):
        frames = open_frames(frames, info)
    limited = time_limit_s is not None or memory_limit_mb is not None
    if method.kind == "built-in" and (truth is not None or not limited):
        return _run_here(method.spec, frames, info, truth)
    own = method.program
    limits = Limits(
        time_s=time_limit_s or (own.time_limit_s if own else DEFAULT_TIME_LIMIT_S),
        memory_mb=memory_limit_mb or (own.memory_limit_mb if own else None),
        disk_mb=own.disk_limit_mb if own else Limits.disk_mb,
    )
    with workplace(work_dir) as place:
        if own is not None:
            return run_program(own, frames, info, place=place, limits=limits)
        spec = method.spec
        if method.kind == "python":
            path, _, function = spec.rpartition(":")
            spec = f"{Path(path).resolve()}:{function}"
        return run_in_child(spec, frames, info, place=place, limits=limits)


def _run_here(
    spec: str, frames: Sequence[Any], info: Mapping[str, Any], truth: GivenTruth | None
) -> Outcome:
    status, reason, result, seconds = call_guarded(
        lambda: built_in(spec, truth=truth)(frames, info), info
    )
    return Outcome(status=status, reason=reason, result=result, seconds=seconds)
