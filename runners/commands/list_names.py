"""``list``: the names that other commands take."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from typing import Any

from ...metrics.cards import CARDS, page
from ...metrics.record import Metric
from ...metrics.registry import METRICS
from ...simulator.data import find_data_file, list_data_files, load_toml
from ..methods.recipe import Recipe
from ..methods.registry import METHODS
from ..methods.stages import STAGES
from ..request import RequestError, request

Titles = Mapping[str, str]


def _data_files(kind: str) -> Titles:
    return {
        name: str(load_toml(find_data_file(name, kind=kind)).get("title", ""))
        for name in list_data_files(kind)
    }


def _methods() -> Titles:
    return {name: method.title + _origin(method) for name, method in METHODS.items()}


def _origin(method: Recipe) -> str:
    """Return where a method comes from, and what else a user should know of it, in brackets."""
    facts = [method.paper] if method.paper else []
    facts += [f"from memory: {method.from_memory}"] if method.from_memory else []
    facts += [] if method.streams else ["its memory grows with the number of frames"]
    return f" ({'; '.join(facts)})" if facts else ""


def _stages() -> Titles:
    return {name: stage.title for name, stage in STAGES.items()}


def _metrics() -> Titles:
    return {
        name: f"{metric.title}; {_better(metric)} is better{_departure(name)}"
        for name, metric in METRICS.items()
    }


def _departure(name: str) -> str:
    return "; departs from the printed formula (--long)" if CARDS[name].is_modified else ""


def _better(metric: Metric) -> str:
    return f"nearer {metric.best:g}" if metric.direction == "nearest" else metric.direction


def _reproductions() -> Titles:
    from ..reproduce import titles  # noqa: PLC0415 - slow to load

    return titles()


KINDS: Mapping[str, Callable[[], Titles]] = {
    "scenes": lambda: _data_files("scene"),
    "families": lambda: _data_files("family"),
    "rigs": lambda: _data_files("rig"),
    "stances": lambda: _data_files("stance"),
    "lights": lambda: _data_files("light"),
    "subjects": lambda: _data_files("subject"),
    "methods": _methods,
    "stages": _stages,
    "metrics": _metrics,
    "suites": lambda: _data_files("suite"),
    "reproductions": _reproductions,
}


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser("list", help="names and titles of what is shipped")
    parser.set_defaults(run=run)
    parser.add_argument(
        "kind", nargs="?", choices=list(KINDS), metavar="KIND", help=", ".join(KINDS)
    )
    parser.add_argument(
        "--long",
        action="store_true",
        help="of metrics: formula, source, range, unit, what each is blind to (Markdown)",
    )


def run(args: argparse.Namespace) -> int:
    """Print one name and title a line; without a kind, all kinds under their headings."""
    with request():
        if args.long and args.kind != "metrics":
            raise RequestError(f"--long: got {args.kind or 'all kinds'}, allowed for metrics")
    if args.long:
        print(page(METRICS.values()))
        return 0
    if args.kind:
        print("\n".join(_lines(KINDS[args.kind]())))
        return 0
    for kind, titles in KINDS.items():
        print(f"{kind}:")
        print("\n".join(f"  {line}" for line in _lines(titles()) or ["(none)"]))
    return 0


def _lines(titles: Titles) -> list[str]:
    width = max(map(len, titles), default=0)
    return [f"{name:{width}}  {title}".rstrip() for name, title in titles.items()]
