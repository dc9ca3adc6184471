"""``score``: run methods on a stack, or take a finished picture, and print the scores."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from ...simulator.stack.stackio import read_stack
from ..bench.report.kept import write_kept
from ..contract import DEPTH_UNITS, DONE
from ..csv_text import write_rows
from ..isolate.method import find_method, refuse_shared_labels
from ..isolate.methods_file import load_methods
from ..judge.finished import score_files
from ..judge.printed import MAIN_COLUMNS, as_text
from ..judge.scoring import Judge, Scored, score_stack, table
from ..request import RequestError, new_path, request, whole_file, whole_folder
from .options import add_progress_option, number, shows_progress, whole

#: Columns of the printed table; the CSV file and the JSON text hold all.
SHOWN = {**MAIN_COLUMNS, "residual_px": "shift px", "seconds": "s"}


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser("score", help="score methods or a finished picture on a stack")
    parser.set_defaults(run=run)
    parser.add_argument("stack", type=Path, metavar="STACK", help="folder of a stack")
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument(
        "--method",
        action="append",
        metavar="M",
        help="name, label, path/to/file.py:function, command line with {output}; may be repeated",
    )
    what.add_argument("--image", type=Path, metavar="FILE", help="picture merged elsewhere")
    parser.add_argument("--depth", type=Path, metavar="FILE", help="depth map to that picture")
    parser.add_argument(
        "--depth-unit",
        choices=DEPTH_UNITS,
        default="frame",
        help="unit of --depth (default: frame)",
    )
    parser.add_argument(
        "--reference",
        type=whole(0),
        metavar="N",
        help="frame in whose view that picture is (default: found by the true motion)",
    )
    parser.add_argument("--name", metavar="N", help="of that picture in the table")
    parser.add_argument(
        "--methods", "--programs", type=Path, metavar="FILE", help=".toml file of methods, by label"
    )
    parser.add_argument("--csv", type=Path, metavar="FILE", help="table to make, all columns")
    parser.add_argument(
        "--keep",
        type=Path,
        metavar="DIR",
        help="folder to make of merged pictures, maps of errors, invented detail and depth, and a "
        "page to look at them",
    )
    parser.add_argument("--json", action="store_true", help="print all columns as JSON")
    parser.add_argument("--time-limit", type=number(above=0), metavar="S", help="for each method")
    parser.add_argument("--memory-limit", type=number(above=0), metavar="MB", help="likewise")
    add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Score, print the table, and say on stderr what failed."""
    with request():
        for path in (args.csv, args.keep):
            if path is not None:
                new_path(path)
        if args.method and (args.depth or args.name):
            raise RequestError("--depth and --name go with --image, got --method")
        if args.method and args.reference is not None:
            raise RequestError("--reference goes with --image, got --method")
        for path in (args.image, args.depth):
            if path is not None and not path.is_file():
                raise RequestError(f"{path}: there is no such file: got none, expected a picture")
        known = load_methods(args.methods) if args.methods is not None else {}
        methods = [find_method(spec, known=known) for spec in args.method or ()]
        refuse_shared_labels(methods)
        stack = read_stack(args.stack)
    judge = Judge(stack)
    if methods:
        scored = score_stack(
            judge,
            methods,
            time_limit_s=args.time_limit,
            memory_limit_mb=args.memory_limit,
            progress=shows_progress(args),
        )
    else:
        scored = [
            score_files(
                judge,
                args.image,
                args.depth,
                name=args.name or args.image.name,
                depth_unit=args.depth_unit,
                reference=args.reference,
            )
        ]
    rows = table(scored)
    if args.csv is not None:
        with whole_file(args.csv) as draft:
            write_rows(draft, rows)
    if args.keep is not None:
        with whole_folder(args.keep) as draft:
            write_kept(judge, stack.shoot, scored, draft)
            write_rows(draft / "scores.csv", rows)
    if args.json:
        print(rows.to_json(orient="records", indent=1))
    else:
        print("\n".join([as_text(rows, SHOWN, digits=3), *remarks(scored)]))
    return _report_failures(scored)


def remarks(scored: Iterable[Scored]) -> list[str]:
    """Return a line for each result whose exposure was charged: why its score is low."""
    return [
        f"{item.row['method']}: {item.row['exposure_remark']}"
        for item in scored
        if item.row.get("exposure_remark")
    ]


def _report_failures(scored: Sequence[Scored]) -> int:
    failed = [item.row for item in scored if item.outcome.status not in DONE]
    if not failed:
        return 0
    reasons = "; ".join(f"{row['method']}: {row['status']}, {row['reason']}" for row in failed)
    print(f"stacktruth score: {len(failed)} of {len(scored)} failed: {reasons}", file=sys.stderr)
    return 1
