"""``verify``: render and score a random sample of a benchmark's cells again."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from ..bench.grid.suite import suite_in
from ..bench.running.verify import TOLERANCE, verify
from ..request import request
from .options import whole


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser("verify", help="do some cells of a benchmark again and compare")
    parser.set_defaults(run=run)
    parser.add_argument("folder", type=Path, metavar="DIR", help="folder of a benchmark")
    parser.add_argument(
        "--cells", type=whole(1), default=3, metavar="N", help="how many (default: 3)"
    )
    parser.add_argument("--seed", type=whole(0), default=0, metavar="N", help="of the choice")


def run(args: argparse.Namespace) -> int:
    """Compare; status 1 when anything differs."""
    with request():
        suite_in(args.folder)
    bad = 0
    print(f"one thread each; numbers may be {TOLERANCE:g} apart, or that share of them")
    for check in verify(args.folder, cells=args.cells, seed=args.seed):
        found = "holds" if not check.different else f"differs in {', '.join(check.different)}"
        print(f"{check.scene}, {check.method}: {found}", flush=True)
        bad += bool(check.different)
    return int(bad > 0)
