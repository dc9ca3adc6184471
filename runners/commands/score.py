"""``score``: run methods on a stack, or take a finished picture, and print the scores."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from ...simulator.stack.stackio import Stack, read_stack
from ..contract import DEPTH_UNITS, DONE, InvalidOutput, Outcome, as_result
from ..isolate.external import result_from_files
from ..isolate.run import find_method
from ..judge.printed import MAIN_COLUMNS, as_text
from ..judge.scoring import Judge, Scored, score_stack, table
from ..judge.view_of_picture import likely_view
from ..request import RequestError, new_path, request, whole_file
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
        help="name, path/to/file.py:function, or a command line with {output}; may be repeated",
    )
    what.add_argument("--image", type=Path, metavar="FILE", help="picture merged elsewhere")
    parser.add_argument("--depth", type=Path, metavar="FILE", help="depth map to that picture")
    parser.add_argument(
        "--depth-unit", choices=DEPTH_UNITS, default="frame", help="(default: frame)"
    )
    parser.add_argument(
        "--reference",
        type=whole(0),
        metavar="N",
        help="frame in whose view that picture is (default: found by its sharp parts)",
    )
    parser.add_argument("--name", metavar="N", help="of that picture in the table")
    parser.add_argument("--programs", type=Path, metavar="FILE", help=".toml file of programs")
    parser.add_argument("--csv", type=Path, metavar="FILE", help="table to make, all columns")
    parser.add_argument("--json", action="store_true", help="print all columns as JSON")
    parser.add_argument("--time-limit", type=number(above=0), metavar="S", help="for each method")
    parser.add_argument("--memory-limit", type=number(above=0), metavar="MB", help="likewise")
    add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Score, print the table, and say on stderr what failed."""
    with request():
        if args.csv is not None:
            new_path(args.csv)
        if args.method and (args.depth or args.name):
            raise RequestError("--depth and --name go with --image, got --method")
        if args.method and args.reference is not None:
            raise RequestError("--reference goes with --image, got --method")
        for path in (args.image, args.depth):
            if path is not None and not path.is_file():
                raise RequestError(f"{path}: there is no such file")
        methods = [find_method(spec, programs=args.programs) for spec in args.method or ()]
        stack = read_stack(args.stack)
    if methods:
        scored = score_stack(
            stack,
            methods,
            time_limit_s=args.time_limit,
            memory_limit_mb=args.memory_limit,
            progress=shows_progress(args),
        )
    else:
        outcome = finished(
            stack, args.image, args.depth, depth_unit=args.depth_unit, reference=args.reference
        )
        scored = [Judge(stack).score(outcome, name=args.name or args.image.name)]
    rows = table(scored)
    if args.csv is not None:
        with whole_file(args.csv) as draft:
            rows.to_csv(draft, index=False)
    if args.json:
        print(rows.to_json(orient="records", indent=1))
    else:
        print("\n".join([as_text(rows, SHOWN, digits=3), *remarks(scored)]))
    return _report_failures(scored)


def finished(
    stack: Stack,
    image: Path,
    depth: Path | None,
    *,
    depth_unit: str,
    reference: int | None = None,
) -> Outcome:
    """Return finished files as the outcome of a method; a bad file is an invalid output.

    Without a reference the frame in whose view the picture is is looked for.
    """
    try:
        read = result_from_files(image, depth, depth_unit=depth_unit)
        if reference is None:
            reference = likely_view(read.image, stack.frames)
        result = as_result(replace(read, reference=reference), info=stack.info)
    except (InvalidOutput, ValueError) as error:
        return Outcome(status="invalid-output", reason=" ".join(str(error).split()))
    return Outcome(status="ok", result=result)


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
