"""Completion of the command line by a shell: a script that is made from the parser itself."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

SHELLS = ("bash", "zsh")
#: Kinds of data files that an argument may name, by its name in a command's arguments.
_KINDS = {
    "scene": "scene",
    "family": "family",
    "families": "family",
    "study": "scene",
    "rig": "rig",
    "stance": "stance",
    "light": "light",
    "subject": "subject",
    "suite": "suite",
}
#: Names of several kinds that one argument takes: of suites and families.
_SOURCE = "source"
_METHODS = ("method", "study_method", "against")
#: Arguments called ``name`` mean what their command is about.
_NAMED = {"metrics": "metric", "reproduce": "reproduction"}
#: Signs of an argument whose value is a path.
_FOLDERS = ("DIR", "STACK", "SUBMISSION", "FRAMES")
_FILES = ("FILE", "FILE.png", "A", "B")
#: What has names alone; elsewhere a path may stand as well.
_NO_PATH = ("metric", "reproduction", "use")


class PrintCompletion(argparse.Action):
    """``--completion SHELL``: prints the script that completes every command, and stops."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: str | Sequence[Any] | None,
        option_string: str | None = None,
    ) -> None:
        """Print the script for the shell that is named."""
        print(completion(parser, str(values)))
        parser.exit(0)


def completion(parser: argparse.ArgumentParser, shell: str) -> str:
    """Return the script that lets a shell complete commands, options, names and paths.

    Parameters
    ----------
    parser : argparse.ArgumentParser
        Of all commands. Its arguments are marked with what completes them.
    shell : {"bash", "zsh"}
    """
    import shtab  # noqa: PLC0415 - nobody else needs it, nor what is named below

    names = _names()
    for command, action in _actions(parser):
        if (filled := _filled_by(command, action)) is not None:
            action.complete = filled  # type: ignore[attr-defined] # where shtab looks for it
    preamble: Any = {  # told a str in 1.13, and it takes one text for each shell
        "bash": _functions(
            names, names_by='compgen -W "{}" -- "$1"', paths_by='compgen -f -- "$1"'
        ),
        "zsh": _functions(names, names_by="compadd -- {}", paths_by="_files"),
    }
    return str(shtab.complete(parser, shell, preamble=preamble))


def _names() -> Mapping[str, Sequence[str]]:
    """Return the names that are shipped, by kind."""
    from ...metrics import METRICS  # noqa: PLC0415
    from ...simulator.data import list_data_files  # noqa: PLC0415
    from ..methods.registry import METHODS  # noqa: PLC0415
    from ..reproduce import REPRODUCTIONS  # noqa: PLC0415
    from .options import USES  # noqa: PLC0415

    found: dict[str, Sequence[str]] = {kind: list_data_files(kind) for kind in {*_KINDS.values()}}
    more = {"method": METHODS, "metric": METRICS, "reproduction": REPRODUCTIONS, "use": USES}
    found[_SOURCE] = ["families", *found["suite"], *found["family"]]
    return {**found, **{kind: list(listed) for kind, listed in more.items()}}


def _actions(parser: argparse.ArgumentParser) -> Iterator[tuple[str, argparse.Action]]:
    """Return each argument with the last word of its command, from a parser downward."""
    for action in parser._actions:
        yield parser.prog.split()[-1], action
        if isinstance(action, argparse._SubParsersAction):
            for below in {id(own): own for own in action.choices.values()}.values():
                yield from _actions(below)


def _kind(command: str, dest: str) -> str | None:
    """Return which names an argument takes; None where it takes none."""
    if dest in _METHODS:
        return "method"
    if dest == "sources":
        return _SOURCE
    if dest == "name":
        return _NAMED.get(command)
    return _KINDS.get(dest, dest if dest in ("metric", "use") else None)


def _filled_by(command: str, action: argparse.Action) -> dict[str, str] | None:
    """Return what completes an argument in each shell; None leaves it to its choices."""
    if action.choices or action.nargs == 0:
        return None
    if (kind := _kind(command, action.dest)) is not None:
        return dict.fromkeys(SHELLS, f"_stacktruth_{kind}")
    if action.metavar in _FOLDERS:
        return {"bash": "_shtab_compgen_dirs", "zsh": "_files -/"}
    if action.metavar in _FILES or action.dest in ("out", "csv", "keep"):
        return {"bash": "_shtab_compgen_files", "zsh": "_files"}
    return None


def _functions(names: Mapping[str, Sequence[str]], *, names_by: str, paths_by: str) -> str:
    """Return a shell's functions: the names of a kind, and paths where they are allowed."""
    found = []
    for kind, listed in sorted(names.items()):
        lines = [names_by.format(" ".join(listed)), *([] if kind in _NO_PATH else [paths_by])]
        found.append("\n  ".join([f"_stacktruth_{kind}() {{", *lines]) + "\n}")
    return "\n".join(found)
