"""A method under test, found but not yet run: its name, where it is, what it is made of."""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from ...ground.spelling import nearest
from ...simulator.data import is_file, shown
from ..methods import METHODS, built_in, needs_truth
from ..methods.stages import STAGES
from .external import Program, program_from_line
from .identity import declared_version
from .walls import folders_of

Kind = Literal["built-in", "python", "program"]
_SHOWN = 60


class UnknownMethodError(ValueError):
    """No method goes by this description, or two go by one name: nothing was run."""


@dataclass(frozen=True)
class Method:
    """A method under test.

    Parameters
    ----------
    name : str
        Its label in the tables.
    kind : {"built-in", "python", "program"}
    spec : str
        What the user wrote.
    program : Program, optional
        Of an outside program.
    parameters : mapping
        Keyword arguments of a Python function.
    environment : tuple of str
        Names of environment variables it may see, or ``NAME=value``.
    files : tuple of str
        Files and folders that it reads by itself, such as weights.
    base : Path
        The folder that its paths are relative to.
    stays_loaded : bool
        Whether the process of a Python function may serve one stack after another.
    """

    name: str
    kind: Kind
    spec: str
    program: Program | None = None
    parameters: Mapping[str, Any] = field(default_factory=dict, hash=False)
    environment: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    base: Path = Path()
    stays_loaded: bool = False

    @property
    def needs_truth(self) -> bool:
        """Whether it is truth-fed: stages of it are given the truth."""
        return self.kind == "built-in" and needs_truth(self.spec)

    @property
    def view_is_unknown(self) -> bool:
        """Whether the frame in whose view it merges is to be looked for in its picture."""
        return self.program is not None and self.program.reference == "own"

    @property
    def file(self) -> Path | None:
        """The file of a Python function."""
        path = self.spec.rpartition(":")[0]
        return self.base / path if self.kind == "python" else None

    @property
    def child_spec(self) -> str:
        """The spec as a process in another folder understands it."""
        if self.file is None:
            return self.spec
        return f"{self.file.resolve()}:{self.spec.rpartition(':')[2]}"

    @property
    def declared_files(self) -> tuple[Path, ...]:
        """The files that its table names."""
        return tuple(self.base / name for name in self.files)

    @property
    def script_files(self) -> tuple[Path, ...]:
        """The executable of a program, and the files among its arguments."""
        if self.program is None:
            return ()
        first, *rest = self.program.resolved(self.base)
        found = shutil.which(first)
        scripts = [Path(word) for word in rest if Path(word).is_absolute() and is_file(Path(word))]
        return (*([Path(found)] if found else []), *scripts)

    @property
    def code_files(self) -> tuple[Path, ...]:
        """The files that its code starts in."""
        return self.script_files if self.file is None else (self.file,)

    @property
    def folders(self) -> tuple[Path, ...]:
        """What it may read of its own: the folders of its code, and what its table names."""
        folders = folders_of(self.code_files)
        # A program in a folder of programs has its libraries beside that.
        prefixes = [folder.parent for folder in folders if folder.name == "bin"]
        return (*folders, *prefixes, *self.declared_files)

    @cached_property
    def version(self) -> str:
        """Checksum of all that is known of it before it runs: code, parameters, environment."""
        return declared_version(self)


def find_method(
    spec: str,
    *,
    programs: str | Path | None = None,
    known: Mapping[str, Method] | None = None,
) -> Method:
    """Find the method that a description means.

    Parameters
    ----------
    spec : str
        Name of a built-in, perhaps with other stages than its own (``laplacian-pyramid``,
        ``laplacian-pyramid+local-gain``, ``laplacian-pyramid+true-warp``),
        ``path/to/file.py:function``, a command line with ``{output}``, or the label of a method
        in the file `programs`.
    programs : path, optional
        A file of methods, see `runners.isolate.methods_file.load_methods`.
    known : mapping of str to Method, optional
        Such a file, read already.

    Raises
    ------
    UnknownMethodError, runners.isolate.external.ProgramError

    Examples
    --------
    >>> find_method("focus-map").kind
    'built-in'
    >>> find_method("my-program --out {output} {frames}").kind
    'program'
    """
    if known is None:
        known = {}
        if programs is not None:
            from .methods_file import load_methods  # noqa: PLC0415 - it makes methods of this kind

            known = load_methods(programs)
    if spec in known:
        return known[spec]
    if "{output}" in spec:
        program = program_from_line(spec)
        return Method(program.name, "program", spec, program)
    if ".py:" in spec or spec.rpartition(":")[0].endswith(".py"):
        return python_method(spec)
    try:
        built_in(spec)
    except KeyError:
        names = [*METHODS, *known]
        raise UnknownMethodError(
            f"unknown method: got {shown(spec)}{_meant(spec, names)}, allowed {', '.join(names)}, "
            "FILE.py:FUNCTION, or a command line with {output}"
        ) from None
    return Method(spec, "built-in", spec)


def _meant(spec: str, names: list[str]) -> str:
    """Return the method, or the stage of a method that there is, nearest to a wrong word."""
    recipe, *stages = spec.split("+")
    if recipe in METHODS:
        wrong = next((stage for stage in stages if stage not in STAGES), "")
        return nearest(wrong, STAGES)
    return nearest(recipe, names)


def python_method(spec: str, *, base: Path = Path(), label: str = "", **more: Any) -> Method:
    """Return the method ``path/to/file.py:function``, its path relative to a folder.

    Raises
    ------
    UnknownMethodError
        There is no such file, or no name of a function.
    """
    path, _, function = spec.rpartition(":")
    if not is_file(base / path):
        raise UnknownMethodError(
            f"method {shown(spec)}: there is no file {shown(base / path)}: got none, expected one"
        )
    if not function.isidentifier():
        raise UnknownMethodError(
            f"{path}: function: got {shown(function)}, allowed the name of a function"
        )
    name = label or f"{Path(path).stem}:{function}"
    return Method(name, "python", spec, base=base, **more)


def refuse_shared_labels(methods: Iterable[Method]) -> None:
    """Refuse different methods that would stand under one label in a table.

    Raises
    ------
    UnknownMethodError
    """
    first: dict[str, Method] = {}
    for method in methods:
        other = first.setdefault(method.name, method)
        if (other.child_spec, other.version) != (method.child_spec, method.version):
            raise UnknownMethodError(
                f"label {shown(method.name)}: got two methods, {_end_of(other.spec)} and "
                f"{_end_of(method.spec)}, allowed one\n"
                "give each a label of its own, in a table [[methods]] with label and spec"
            )


def _end_of(spec: str) -> str:
    """Return the end of a spec, where two that are alike differ."""
    return repr(spec if len(spec) <= _SHOWN else f"...{spec[-_SHOWN:]}")
