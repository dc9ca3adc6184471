"""Every command and option, from the parser itself."""

from __future__ import annotations

import argparse
from collections.abc import Iterator

from stacktruth.runners.cli import COMMANDS, build_parser

from . import words


def page() -> str:
    """Return the text of all commands."""
    parser = build_parser()
    found = _parts_of(parser)
    text = ["## stacktruth\n", "Alone it shows where to start. Before a command it takes:\n"]
    text += [words.table(["option", "meaning"], _rows(parser))]
    for name in COMMANDS:
        text += [*_command(name, found[name])]
    return "\n".join(text)


def _parts_of(parser: argparse.ArgumentParser) -> dict[str, tuple[argparse.ArgumentParser, str]]:
    """Return the parsers below a parser with their line of help, by name."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            told = {one.dest: one.help or "" for one in action._choices_actions}
            return {name: (own, told[name]) for name, own in action.choices.items()}
    return {}


def _command(name: str, own: tuple[argparse.ArgumentParser, str]) -> Iterator[str]:
    parser, told = own
    yield f"## stacktruth {name}\n"
    yield f"{words.cell(told[0].upper() + told[1:])}.\n"
    if parser.description and parser.description != told:
        yield f"{words.cell(parser.description)}\n"
    parts = _parts_of(parser)
    for part, (below, line) in parts.items():
        yield f"### stacktruth {name} {part}\n"
        yield f"{words.cell(line[0].upper() + line[1:])}.\n"
        yield from _usage(below)
    if not parts:
        yield from _usage(parser)


def _usage(parser: argparse.ArgumentParser) -> Iterator[str]:
    usage = parser.format_usage().removeprefix("usage: ")
    yield f"```\n{usage.strip()}\n```\n"
    yield words.table(["option", "meaning"], _rows(parser))
    if parser.epilog:
        yield f"```\n{parser.epilog.strip()}\n```\n"


def _rows(parser: argparse.ArgumentParser) -> list[list[str]]:
    return [
        [_named(one), words.cell(_help(one))]
        for one in parser._actions
        if _shown(one) and not isinstance(one, argparse._SubParsersAction)
    ]


def _shown(action: argparse.Action) -> bool:
    """Say whether an option differs from command to command."""
    return "--help" not in action.option_strings and "--debug" not in action.option_strings


def _named(action: argparse.Action) -> str:
    value = action.metavar or (action.dest.upper() if action.nargs != 0 else "")
    if action.choices and not action.metavar:
        value = "|".join(map(str, action.choices))
    if not action.option_strings:
        return f"`{value}`"
    value = "" if action.nargs == 0 else f" {value}"
    return f"`{words.cell(', '.join(action.option_strings) + value)}`"


def _help(action: argparse.Action) -> str:
    told = (action.help or "").replace("%(default)s", str(action.default))
    return f"{told} *Required.*" if action.required and action.option_strings else told
