"""``check-method``: whether a method keeps the contract, and what to change if not."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from ..isolate.run import find_method
from ..judge.check_method import MEMORY_LIMIT_MB, TIME_LIMIT_S, check_method
from ..request import request
from .options import number


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser("check-method", help="try a method on what breaks methods")
    parser.set_defaults(run=run)
    parser.add_argument(
        "method",
        metavar="SPEC",
        help="name, path/to/file.py:function, or a command line with {output}",
    )
    parser.add_argument(
        "--methods", "--programs", type=Path, metavar="FILE", help=".toml file of methods, by label"
    )
    parser.add_argument(
        "--time-limit", type=number(above=0), default=TIME_LIMIT_S, metavar="S", help="for each run"
    )
    parser.add_argument(
        "--memory-limit",
        type=number(above=0),
        default=MEMORY_LIMIT_MB,
        metavar="MB",
        help="likewise",
    )


def run(args: argparse.Namespace) -> int:
    """Print a verdict a check as it is found; say on stderr how many failed."""
    with request():
        method = find_method(args.method, programs=args.methods)
        verdicts = check_method(
            method, time_limit_s=args.time_limit, memory_limit_mb=args.memory_limit
        )
    found = []
    for verdict in verdicts:
        print(verdict, flush=True)
        found.append(verdict)
    failed = [verdict.check for verdict in found if verdict.status == "failed"]
    if not failed:
        print(f"{method.name} keeps the contract")
        return 0
    print(
        f"stacktruth check-method: {method.name} failed {len(failed)} of {len(found)} checks: "
        f"{', '.join(failed)}",
        file=sys.stderr,
    )
    return 1
