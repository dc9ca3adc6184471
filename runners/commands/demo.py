"""``demo``: two scenes rendered, merged by several methods and scored, with pictures."""

from __future__ import annotations

import argparse
from typing import Any

from ..demo.demo import run_demo
from ..request import new_path
from .options import add_progress_option, add_workers_option, shows_progress


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser("demo", help="render two scenes, merge and score them")
    parser.set_defaults(run=run)
    parser.add_argument(
        "--out",
        default="stacktruth-demo",
        metavar="DIR",
        help="folder to make (default: %(default)s)",
    )
    add_workers_option(parser)
    add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Run the demonstration."""
    out = new_path(args.out)
    return run_demo(out, workers=args.workers, progress=shows_progress(args))
