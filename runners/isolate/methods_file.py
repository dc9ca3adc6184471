"""Tables of methods, in a file of their own or in a suite: ``[[methods]]``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass

from ...ground.toml import TomlError, read_toml
from ...simulator.data import shown
from ...simulator.rig import STRICT
from .external import Program, ProgramError, first_message, load_programs
from .method import Method, UnknownMethodError, find_method, python_method, refuse_shared_labels


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class MethodTable:
    """A method as a table describes it.

    Parameters
    ----------
    label : str
        Its name in the tables of results.
    spec : str
        Built-in, ``FILE.py:FUNCTION``, or a command line; instead of `program`.
    parameters : dict
        Keyword arguments of a Python function.
    environment : tuple of str
        Names of environment variables it may see, or ``NAME=value``.
    files : tuple of str
        Files and folders that it reads, such as weights: it may read them, and they are part of
        its version.
    program : dict
        An outside program: the keys of `runners.isolate.external.Program` but its name.
    stays_loaded : bool
        Whether a Python function may stay loaded over the stacks of one worker of a benchmark,
        because it takes long to load; its rows say so.
    folder : str
        What paths are relative to, in the file's own folder.
    """

    label: str = Field(min_length=1)
    spec: str = ""
    parameters: dict[str, Any] = Field(default_factory=dict)
    environment: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    program: dict[str, Any] | None = None
    stays_loaded: bool = False
    folder: str = ""

    def __post_init__(self) -> None:
        """Refuse a table that means no method, or two."""
        if bool(self.spec) == (self.program is not None):
            raise ValueError("allowed: either 'spec' or 'program'")

    def within(self, folder: Path) -> MethodTable:
        """Return the table with its paths relative to a whole path."""
        return replace(self, folder=str((folder / self.folder).resolve()))


def method_of(table: MethodTable) -> Method:
    """Return the method that a table describes.

    Raises
    ------
    UnknownMethodError, runners.isolate.external.ProgramError
    """
    try:
        return _method_of(table)
    except (UnknownMethodError, ProgramError) as error:
        raise type(error)(f"method {shown(table.label)}: {error}") from error


def _method_of(table: MethodTable) -> Method:
    base = Path(table.folder)
    missing = [name for name in table.files if not (base / name).exists()]
    if missing:
        raise UnknownMethodError(
            f"files: there is no {shown(base / missing[0])}: got none, expected it"
        )
    if table.program is not None:
        program = _program(table.label, table.program)
        found = Method(table.label, "program", table.label, program)
    elif table.spec.rpartition(":")[0].endswith(".py"):
        found = python_method(table.spec, base=base, label=table.label)
    else:
        found = find_method(table.spec)
    if found.kind != "python" and table.parameters:
        raise UnknownMethodError(
            f"parameters: got them for a method that is {_KINDS[found.kind]}, "
            "allowed for a Python function"
        )
    if found.kind != "python" and table.stays_loaded:
        raise UnknownMethodError(
            f"stays_loaded: got it for a method that is {_KINDS[found.kind]}, "
            "allowed for a Python function"
        )
    if found.kind == "built-in" and (table.environment or table.files):
        raise UnknownMethodError(
            "environment, files: got them for a built-in method, allowed for others: it "
            "takes neither"
        )
    environment = (*table.environment, *(found.program.env if found.program else ()))
    return replace(
        found,
        name=table.label,
        parameters=table.parameters,
        environment=environment,
        files=table.files,
        base=base,
        stays_loaded=table.stays_loaded,
    )


_KINDS = {"built-in": "built in", "program": "a program"}


def _program(label: str, values: dict[str, Any]) -> Program:
    try:
        return TypeAdapter(Program).validate_python({"name": label, **values})
    except ValidationError as error:
        raise ProgramError(f"program: {first_message(error)}") from error


def load_methods(path: str | Path) -> dict[str, Method]:
    """Read a file of methods: tables ``[[methods]]``, or one table per program by its name.

    Returns
    -------
    dict of str to Method
        By their labels, in the file's order.

    Raises
    ------
    ProgramError, UnknownMethodError
        Not TOML, an unknown key or a value that is not allowed, a label that is there twice; file
        and key are named.
    """
    path = Path(path)
    try:
        tables = read_toml(path)
    except TomlError as error:
        raise ProgramError(str(error)) from error
    except OSError as error:
        raise ProgramError(f"{path}: got {error.strerror!r}, expected a file") from error
    listed = tables.pop("methods", [])
    if not isinstance(listed, list):
        raise ProgramError(f"{path}: methods: got a single table, allowed tables [[methods]]")
    base = path.resolve().parent
    found = [_read(path, number, values, base) for number, values in enumerate(listed)]
    found += [
        Method(name, "program", name, program, environment=program.env, base=base)
        for name, program in load_programs(path, tables).items()
    ]
    labels = [method.name for method in found]
    twice = [label for label in labels if labels.count(label) > 1]
    if twice:
        raise UnknownMethodError(f"{path}: label: got {shown(twice[0])} twice, allowed once")
    refuse_shared_labels(found)
    return {method.name: method for method in found}


def _read(path: Path, number: int, values: Any, base: Path) -> Method:
    try:
        table = TypeAdapter(MethodTable).validate_python(values)
        return method_of(table.within(base))
    except ValidationError as error:
        raise ProgramError(f"{path}: methods[{number}] {first_message(error)}") from error
    except (UnknownMethodError, ProgramError) as error:
        raise type(error)(f"{path}: {error}") from error
