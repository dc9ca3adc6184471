"""``report``: one page of what is done in a benchmark's folder, at any time."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from ..bench.report.report import write_report
from ..request import request
from .options import add_progress_option, shows_progress


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser("report", help="write report.html of a benchmark's folder")
    parser.set_defaults(run=run)
    parser.add_argument("folder", type=Path, metavar="DIR", help="folder of a benchmark")
    add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Write the page and print where it is."""
    with request():
        path = write_report(args.folder, progress=shows_progress(args))
    print(path)
    return 0
