"""``compare``: is one method better than another, by how much, how sure, and where."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from ..request import new_path, request, whole_file

#: As `runners.bench.ranking.factors.FACTORS`, which is slow to load.
_FACTORS = ("scene", "kind", "stance", "light", "subject", "rig", "region")


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "compare",
        help="say whether one method of a benchmark is better than another",
        description="Compare a method with others on the plain stacks of a benchmark's folder. The "
        "advantage is the typical difference over scenes (pseudo-median), positive where the "
        "method is better; its interval holds 95 %. Fewer than six scenes say nothing.",
    )
    parser.set_defaults(run=run)
    parser.add_argument("folder", type=Path, metavar="DIR", help="folder of a benchmark")
    parser.add_argument("--method", required=True, metavar="M", help="the method asked about")
    parser.add_argument(
        "--against",
        required=True,
        action="append",
        metavar="M",
        help="another method; may be repeated, p is then adjusted (Holm)",
    )
    parser.add_argument(
        "--metric",
        default="merge_loss_db",
        metavar="METRIC",
        help="column of rows.csv, or name of a metric against the ideal (default: merge_loss_db, "
        "what the merge lost against the selection limit)",
    )
    parser.add_argument(
        "--by", choices=_FACTORS, help="split by this; p is adjusted for all of its parts"
    )
    parser.add_argument("--csv", type=Path, metavar="FILE", help="table to make")
    parser.add_argument("--latex", type=Path, metavar="FILE", help="table to make for LaTeX")
    parser.add_argument(
        "--pictures",
        type=Path,
        metavar="FILE",
        help="picture (.png) to make of the three best and the three worst cases",
    )
    parser.add_argument("--json", action="store_true", help="print all of it as JSON")


def run(args: argparse.Namespace) -> int:
    """Compare, print the answer, and write what was asked for."""
    # Slow to load, and no other command needs them.
    from ..bench.ranking.compare import compare  # noqa: PLC0415
    from ..bench.ranking.compare_text import as_csv, as_json, as_latex, as_text  # noqa: PLC0415
    from ..bench.ranking.factors import kinds_of  # noqa: PLC0415
    from ..bench.ranking.folder import plain_rows  # noqa: PLC0415
    from ..bench.ranking.metric_column import metric_column  # noqa: PLC0415

    with request():
        made = [path for path in (args.csv, args.latex, args.pictures) if path is not None]
        for path in made:
            new_path(path)
        suite, rows = plain_rows(args.folder)
        found = compare(
            rows,
            args.method,
            args.against,
            metric=metric_column(args.metric, rows.columns),
            by=args.by,
            kinds=kinds_of(suite),
        )
    for path, text in ((args.csv, as_csv), (args.latex, as_latex)):
        if path is not None:
            with whole_file(path) as draft:
                draft.write_text(text(found), encoding="utf-8")
    print(as_json(found) if args.json else as_text(found, by=args.by))
    if args.pictures is not None:
        from ..bench.report.case_pictures import write_case_pictures  # noqa: PLC0415

        with request():
            write_case_pictures(args.folder, suite, found, args.pictures)
    return 0
