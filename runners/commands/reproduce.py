"""``reproduce``: a published comparison done again, with its table, figure and account."""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from typing import Any

from ..request import RequestError, new_path, request
from .options import add_progress_option, shows_progress, whole


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser("reproduce", help="do a published comparison again")
    parser.set_defaults(run=run)
    parser.add_argument(
        "name", metavar="NAME", help="of the comparison; 'stacktruth list studies' names them"
    )
    parser.add_argument("--out", required=True, metavar="DIR", help="folder to make")
    parser.add_argument("--seed", type=whole(0), default=0, metavar="N", help="(default: 0)")
    parser.add_argument(
        "--quick", action="store_true", help="small pictures and few trials, to see that it runs"
    )
    add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do the comparison and print its account; the folder is there when all went well."""
    from ..reproduce import reproduce, study  # noqa: PLC0415 - slow to load

    with request():
        out = new_path(args.out)
        study(args.name)
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f".{out.name}-", dir=out.parent) as place:
        draft = Path(place) / out.name
        status = reproduce(
            args.name,
            out=draft,
            seed=args.seed,
            quick=args.quick,
            progress=shows_progress(args),
        )
        text = (draft / "summary.md").read_text(encoding="utf-8")
        try:
            draft.rename(out)
        except OSError as error:
            raise RequestError(f"{out} came to stand there meanwhile; it was left alone") from error
    print(f"{text}\nTables and figure are in {out}")
    return status
