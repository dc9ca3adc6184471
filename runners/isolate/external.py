"""An outside program as a method: a command template, run without a shell within limits."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import ConfigDict, Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass

from ...ground.checksum import file_sha256
from ...ground.complaints import got_and_allowed
from ...ground.finished import read_finished
from ...ground.pictures import read_image
from ...ground.text import plain_line
from ...ground.toml import TomlError, read_toml
from ...simulator.data import is_file
from ..contract import Result, as_result
from .workplace import FORMATS

PLACEHOLDERS = ("frames", "frames_dir", "reference", "output", "depth_output")
_SHOWN = 80
_PLACEHOLDER = re.compile(r"\{([A-Za-z_]*)\}")


class ProgramError(ValueError):
    """A program's description is wrong: nothing was run."""


@dataclass(frozen=True, slots=True, kw_only=True, config=ConfigDict(extra="forbid"))
class Program:
    """An outside program and how to call it.

    Parameters
    ----------
    name : str
        Name in the tables.
    command : tuple of str
        Program and arguments with placeholders: ``{frames}`` (an argument of its own that
        becomes one argument per frame), ``{frames_dir}``, ``{reference}`` (the frame in whose
        view the stack wants its result), ``{output}``, ``{depth_output}``.
    image_format : {"", "tiff16", "tiff8", "png16", "png8", "jpeg8"}
        What its frames are written as; "" leaves them as they are.
    output, depth_output : str
        File names that stand for ``{output}`` and ``{depth_output}``.
    depth_unit : {"frame", "mm"}
        What the depth map's values count.
    time_limit_s : float
    memory_limit_mb : float, optional
    disk_limit_mb : float
    env : tuple of str
        Names of environment variables it may see, or ``NAME=value``.
    version_command : tuple of str
        Arguments that make it print its version; empty: not asked.
    reference : {"first", "middle", "last", "given", "own"} or int
        Frame in whose view its picture is: by its place in the order taken ("middle": of four
        the second), the one that the stack names, a number, or one of its own choice, which is
        looked for in the picture.
    """

    name: str
    command: tuple[str, ...] = Field(min_length=1)
    image_format: str = ""
    output: str = Field(default="result.tif", pattern=r"^[\w.-]+\.(tiff?|png|jpe?g)$")
    depth_output: str = Field(default="depth.tif", pattern=r"^[\w.-]+\.(tiff?|png)$")
    depth_unit: str = "frame"
    time_limit_s: float = Field(default=600.0, gt=0)
    memory_limit_mb: float | None = Field(default=None, gt=0)
    disk_limit_mb: float = Field(default=4096.0, gt=0)
    env: tuple[str, ...] = ()
    version_command: tuple[str, ...] = ()
    reference: Literal["first", "middle", "last", "given", "own"] | Annotated[int, Field(ge=0)] = (
        "own"
    )

    def __post_init__(self) -> None:
        """Refuse a template that cannot work."""
        if self.image_format not in FORMATS:
            allowed = ", ".join(name for name in FORMATS if name)
            raise ValueError(f"image_format: got {self.image_format!r}, allowed {allowed}")
        _check_template(self.command)

    def resolved(self, base: Path) -> list[str]:
        """Return the command with whole paths for those of its words that name a file.

        Parameters
        ----------
        base : Path
            The folder that they are relative to.
        """
        return [
            str((base / word).absolute()) if _may_be_path(word) and is_file(base / word) else word
            for word in self.command
        ]


def _may_be_path(word: str) -> bool:
    """Tell whether a word looks like a path; a bare name may be one of a program's own words."""
    return not _PLACEHOLDER.search(word) and bool(os.sep in word or Path(word).suffix)


def _check_template(command: Sequence[str]) -> None:
    found = set()
    for part in command:
        names = _PLACEHOLDER.findall(part)
        found.update(names)
        unknown = [name for name in names if name not in PLACEHOLDERS]
        if unknown:
            allowed = ", ".join(f"{{{name}}}" for name in PLACEHOLDERS)
            raise ValueError(
                f"unknown placeholder: got {{{unknown[0]}}} in {part!r}, allowed {allowed}"
            )
        if "frames" in names and part != "{frames}":
            raise ValueError(f"got {{frames}} in {part!r}, allowed as an argument of its own")
    if not found & {"frames", "frames_dir"}:
        raise ValueError(
            "the command takes no frames: got neither {frames} nor {frames_dir}, allowed "
            "one of them"
        )
    if "output" not in found:
        raise ValueError("the command has no {output}: got none, allowed one or more")


def program_from_line(line: str) -> Program:
    """Make a program of one command line, split as a shell would but never run by one.

    Raises
    ------
    ProgramError
        Unbalanced quotes, or a template that cannot work.
    """
    try:
        command = tuple(shlex.split(line))
        return Program(name=_name_of(command), command=command)
    except ValidationError as error:
        raise ProgramError(f"command {line!r}: {first_message(error)}") from error
    except ValueError as error:
        raise ProgramError(
            f"command {line!r}: got words that a shell cannot tell apart ({error}), allowed quotes "
            "in pairs"
        ) from error


def _name_of(command: Sequence[str]) -> str:
    """Name a command by its program, and by the script that an interpreter is given."""
    if not command:
        return ""
    scripts = [
        Path(word).name for word in command[1:] if _may_be_path(word) and is_file(Path(word))
    ]
    return " ".join([Path(command[0]).name, *scripts[:1]])


def load_programs(path: str | Path, tables: Mapping[str, Any] | None = None) -> dict[str, Program]:
    """Read a file of programs: one table per program, its name the table's name.

    Parameters
    ----------
    path : path
    tables : mapping, optional
        What stands in the file, where it is read already.

    Raises
    ------
    ProgramError
        Not TOML, an unknown key or a value that is not allowed; file and key are named.
    """
    try:
        tables = read_toml(path) if tables is None else tables
    except TomlError as error:
        raise ProgramError(str(error)) from error
    except OSError as error:
        raise ProgramError(f"{path}: got {error.strerror!r}, expected a file") from error
    programs = {}
    for name, values in tables.items():
        if not isinstance(values, dict):
            raise ProgramError(
                f"{path}: key {plain_line(name, longest=_SHOWN)!r}: got "
                f"{plain_line(repr(values), longest=_SHOWN)} outside a program's table, "
                "allowed tables [[methods]] or [PROGRAM]"
            )
        try:
            programs[name] = TypeAdapter(Program).validate_python({"name": name, **values})
        except ValidationError as error:
            raise ProgramError(
                f"{path}: [{plain_line(name, longest=_SHOWN)}] {first_message(error)}"
            ) from error
    return programs


def first_message(error: ValidationError) -> str:
    """Return the first of a validation's complaints, in a line."""
    first = error.errors(include_url=False)[0]
    key = plain_line(".".join(map(str, first["loc"])), longest=_SHOWN)
    message = got_and_allowed(first, got=plain_line(repr(first["input"]), longest=_SHOWN))
    return f"{key}: {message}" if key else message


def expand(
    program: Program,
    words: Sequence[str],
    paths: Sequence[Path],
    folder: Path,
    *,
    reference: Path | None = None,
) -> list[str]:
    """Fill a command's placeholders, argument by argument, without splitting anything again."""
    values = {
        "reference": str(paths[0] if reference is None else reference),
        "frames_dir": str(paths[0].parent),
        "output": str(folder / program.output),
        "depth_output": str(folder / program.depth_output),
    }
    argv: list[str] = []
    for word in words:
        if word == "{frames}":
            argv.extend(str(path) for path in paths)
        else:
            argv.append(_PLACEHOLDER.sub(lambda found: values[found[1]], word))
    return argv


def reference_of(program: Program, info: Mapping[str, Any]) -> int | None:
    """Return the frame in whose view a program says that it merges; None: looked for, or given."""
    count = len(info["frames"])
    named = {"first": 0, "middle": (count - 1) // 2, "last": count - 1}
    if isinstance(program.reference, int):
        return program.reference
    return named.get(program.reference)


def executable_facts(program: Program) -> dict[str, str]:
    """Return path, checksum and (when asked for) version of a program's executable."""
    executable = shutil.which(program.command[0])
    if executable is None:
        return {}
    path = Path(executable).resolve()
    facts = {"executable": str(path), "sha256": file_sha256(path)}
    if program.version_command:
        facts["version"] = _version(executable, program.version_command)
    return facts


def _version(executable: str, arguments: Sequence[str]) -> str:
    try:
        asked = subprocess.run(
            [executable, *arguments],
            capture_output=True,
            timeout=10,
            check=False,
            stdin=subprocess.DEVNULL,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        return f"unknown: {error}"
    lines = (asked.stdout or asked.stderr).decode("utf-8", "replace").splitlines()
    return lines[0].strip()[:200] if lines else ""


def result_from_files(
    image: str | Path, depth: str | Path | None = None, *, depth_unit: str = "frame"
) -> Result:
    """Read a picture, and perhaps a depth map, that were made elsewhere.

    Size and crop are free here: the scorer brings the picture to the stack's geometry.

    Raises
    ------
    InvalidOutput
        No colour picture, or a depth map of another size than the picture.
    FileNotFoundError
    ValueError
        The file cannot be read.
    """
    picture = read_finished(image)
    if picture.ndim == 2:
        picture = np.repeat(picture[..., None], 3, axis=2)
    height, width = picture.shape[:2]
    parts: dict[str, Any] = {"image": picture, "depth_unit": depth_unit}
    if depth is not None:
        parts["depth"] = read_image(depth)
    # No list of frames is known here, so an index can only be checked for its sign.
    info = {"height_px": height, "width_px": width, "frames": range(1 << 16)}
    return as_result(parts, info=info)
