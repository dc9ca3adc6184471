"""The command line: ``stacktruth COMMAND ...``.

Exit status: 0 done; 1 the work ran and something in it failed; 2 the request was wrong and
nothing was written. An error is one or two lines on stderr.
"""

from __future__ import annotations

import argparse
import logging
import os
import re
import signal
import sys
import traceback
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from importlib.metadata import version
from itertools import pairwise
from typing import Any, NoReturn

from ..ground.spelling import nearest
from ..ground.stand_by import stand_by
from .commands.completion import SHELLS, PrintCompletion
from .guide import DOORS, epilog, hint
from .request import RequestError, StoppedError

#: Where each command lives; only the one that is asked for is loaded.
COMMANDS = {
    "demo": ".commands.demo",
    "draw": ".commands.draw",
    "dataset": ".commands.dataset",
    "render": ".commands.render",
    "score": ".commands.score",
    "metrics": ".commands.metrics",
    "bench": ".commands.bench",
    "compare": ".commands.compare",
    "verify": ".commands.verify",
    "blind": ".commands.blind",
    "report": ".commands.report",
    "plan": ".commands.plan",
    "calibrate": ".commands.calibrate",
    "calibrate-lens": ".commands.calibrate_lens",
    "review": ".commands.review",
    "reproduce": ".commands.reproduce",
    "list": ".commands.list_names",
    "check-method": ".commands.check_method",
    "check-stack": ".commands.check_stack",
    "export": ".commands.export",
    "gallery": ".commands.gallery",
}

#: What the processes load that a command starts.
LOADED = {
    "render": ["stacktruth.simulator.stack.pieces"],
    "bench": ["stacktruth.runners.bench.running.work"],
    "demo": ["stacktruth.runners.demo.demo"],
    "dataset": ["stacktruth.runners.dataset.make"],
    "gallery": ["stacktruth.runners.demo.gallery"],
}
#: Of these, those that start no process unless they are told to.
_ALONE = {"bench"}

_LONGEST = 500

# That it may not write to the home and keeps its fonts elsewhere concerns no user of ours.
logging.getLogger("matplotlib").addHandler(logging.NullHandler())


class _Parser(argparse.ArgumentParser):
    """A parser whose complaints are `RequestError`, and that takes no shortened options."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"allow_abbrev": False, "formatter_class": _Layout, **kwargs})
        self._given: list[str] = []

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Parse as `argparse.ArgumentParser` does, and remember what was given."""
        self._given = list(args or [])
        return super().parse_known_args(args, namespace)

    def error(self, message: str) -> NoReturn:
        if "required" in message and (wrong := self._unknown_option()):
            message = f"unrecognized arguments: {wrong}"  # the cause: that one was meant
        raise RequestError(f"{self._with_meant(message)}\nsee: {self._see(message)} --help")

    def _unknown_option(self) -> str:
        """Return the first option given that no parser from here down knows."""
        known = self._all_options()
        words = (word.partition("=")[0] for word in self._given if word.startswith("--"))
        return next((word for word in words if word != "--" and word not in known), "")

    def _with_meant(self, message: str) -> str:
        """Return a message with the option or choice nearest to the wrong one that it names."""
        if wrong := re.match(r"unrecognized arguments: (--[^\s=]+)", message):
            return f"{message}{nearest(wrong[1], self._all_options())}"
        if wrong := re.search(r"invalid choice: '([^']*)' \(choose from (.*)\)", message):
            choices = re.findall(r"[^', ]+", wrong[2])
            return f"{message}{nearest(wrong[1], choices)}"
        return message

    def _see(self, message: str) -> str:
        """Return the command whose help tells more: the one asked for, if it is known."""
        for action in self._actions:
            if isinstance(action, argparse._SubParsersAction) and "unrecognized" in message:
                named = next((word for word in self._given if word in action.choices), None)
                if named:
                    return action.choices[named].prog
        return self.prog

    def _all_options(self) -> list[str]:
        """Return the options of this parser and of those below it."""
        found = list(self._option_string_actions)
        for action in self._actions:
            if isinstance(action, argparse._SubParsersAction):
                for below in action.choices.values():
                    found += below._all_options()
        return found


class _Layout(argparse.HelpFormatter):
    """Keeps the lines of examples, and fills all other text."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        if "\n" in text:
            return "\n".join(f"{indent}{line}" for line in text.splitlines())
        return super()._fill_text(text, width, indent)


def build_parser(names: Iterable[str] = tuple(COMMANDS)) -> argparse.ArgumentParser:
    """Return the parser of the named commands."""
    parser = _Parser(
        prog="stacktruth",
        description="Handheld macro stacks with known truth, and scores for stacking methods.",
    )
    parser.add_argument(
        "--version", action="version", version=f"stacktruth {version('stacktruth')}"
    )
    parser.add_argument(
        "--completion",
        action=PrintCompletion,
        choices=SHELLS,
        help="print the script by which a shell completes commands, options and names",
    )
    parser.add_argument("--debug", action="store_true", help="show the traceback of an error")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name in names:
        import_module(COMMANDS[name], __package__).add_parser(commands)
    for name, own in commands.choices.items():
        own.add_argument("--debug", action="store_true", default=argparse.SUPPRESS)
        own.epilog = epilog(name)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; without one, show the three doors.

    Parameters
    ----------
    argv : sequence of str or None
        Arguments after the program's name; None takes this process's own.

    Returns
    -------
    int
        Exit status.
    """
    own = argv is None
    argv = list(sys.argv[1:] if argv is None else argv)
    debug = "--debug" in argv
    if not argv:
        print(DOORS)
        return 0
    try:
        with _terminated_as_interrupted():
            if own:
                _stand_by(argv)
            args = build_parser(_asked(argv)).parse_args(argv)
            status = int(args.run(args))
            sys.stdout.flush()
            if status == 0 and not getattr(args, "json", False):
                print(hint(args), file=sys.stderr)
            return status
    except SystemExit as leave:  # after --help
        return leave.code if isinstance(leave.code, int) else 1
    except BrokenPipeError:  # the reader of our output has gone
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except (Exception, KeyboardInterrupt) as error:
        return _complain(error, status=2 if _is_refusal(error) else 1, debug=debug)


def _asked(argv: Sequence[str]) -> list[str]:
    """Return the command that the arguments name, or all commands where they name none."""
    first = next((word for word in argv if not word.startswith("-")), "")
    return [first] if first in COMMANDS else list(COMMANDS)


def _stand_by(argv: Sequence[str]) -> None:
    """Have what other processes need loaded while this one loads its own, if it will start any."""
    words = [part for word in argv for part in word.split("=", 1)]
    command, *others = _asked(argv)
    told = [value for name, value in pairwise(words) if name == "--workers"]
    *_, workers = ("1" if command in _ALONE else "auto", *told)
    helps = not {"-h", "--help"}.isdisjoint(words)
    if command in LOADED and not others and workers != "1" and not helps:
        stand_by(*LOADED[command])


@contextmanager
def _terminated_as_interrupted() -> Iterator[None]:
    """Treat SIGTERM as an interrupt, so that unfinished files are removed."""

    def stop(number: int, frame: object) -> NoReturn:
        raise KeyboardInterrupt

    try:
        before = signal.signal(signal.SIGTERM, stop)
    except ValueError:  # only the main thread may
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _is_refusal(error: BaseException) -> bool:
    """Tell whether an error says that the request was wrong and nothing was written."""
    if not isinstance(error, FileExistsError):
        return isinstance(error, RequestError)
    # Loaded late: each process that shares out work loads this module, and needs none of it.
    from ..simulator.stack.manifest import StackExistsError  # noqa: PLC0415

    return isinstance(error, StackExistsError | RequestError)


def _complain(error: BaseException, *, status: int, debug: bool) -> int:
    if debug:
        traceback.print_exception(error)
    print(f"stacktruth: error: {_message(error)}", file=sys.stderr)
    return status


def _message(error: BaseException) -> str:
    """Return an error in two lines at most."""
    if isinstance(error, KeyboardInterrupt):
        return "interrupted; no unfinished file was left"
    if isinstance(error, RequestError):
        first, _, hint = str(error).partition("\n")
        return f"{_cut(first)}\n{_cut(hint)}" if hint else _cut(first)
    if isinstance(error, ValueError | OSError | StoppedError):
        return _cut(str(error))
    return f"{_cut(f'{type(error).__name__}: {error}')}\n--debug shows where"


def _cut(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST].rstrip()} ..."


if __name__ == "__main__":
    sys.exit(main())
