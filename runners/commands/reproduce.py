"""``reproduce``: a published comparison done again, with its table, figure and account."""

from __future__ import annotations

import argparse
from typing import Any

from ..request import new_path, request, whole_folder
from .options import add_progress_option, add_workers_option, shows_progress, whole


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser("reproduce", help="do a published comparison again")
    parser.set_defaults(run=run)
    parser.add_argument(
        "name",
        metavar="NAME",
        help="of the reproduction; 'stacktruth list reproductions' names them",
    )
    parser.add_argument("--out", required=True, metavar="DIR", help="folder to make")
    parser.add_argument(
        "--seed", type=whole(0), default=0, metavar="N", help="of all it draws (default: 0)"
    )
    parser.add_argument(
        "--quick", action="store_true", help="small pictures and few trials, to see that it runs"
    )
    add_workers_option(parser)
    add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do the comparison and print its account; the folder is there when all went well."""
    from ..reproduce import reproduce, reproduction  # noqa: PLC0415 - slow to load

    with request():
        out = new_path(args.out)
        reproduction(args.name)
    with whole_folder(out) as draft:
        status = reproduce(
            args.name,
            out=draft,
            seed=args.seed,
            quick=args.quick,
            workers=args.workers,
            progress=shows_progress(args),
        )
        text = (draft / "summary.md").read_text(encoding="utf-8")
    print(f"{text}\nTables and figure are in {out}")
    return status
