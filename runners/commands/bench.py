"""``bench``: run a suite, or resume one, and print how the methods stand."""

from __future__ import annotations

import argparse
import sys
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..bench.grid.cells import PLAIN
from ..bench.grid.suite import load_suite
from ..bench.running.run import bench
from ..contract import DONE
from ..request import RequestError, request
from .options import add_progress_option, add_workers_option, shows_progress

if TYPE_CHECKING:
    import pandas as pd


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "bench", help="run a suite of stacks and methods; the same command resumes it"
    )
    parser.set_defaults(run=run)
    parser.add_argument("suite", metavar="SUITE", help="name of a shipped suite, or a .toml file")
    parser.add_argument(
        "--out", required=True, type=Path, metavar="DIR", help="folder to make, or to resume"
    )
    add_workers_option(
        parser,
        default=None,
        about="default: 1; auto: all cores; with more than one, times are not comparable",
    )
    parser.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="use the workers of a dask scheduler, such as tcp://10.0.0.1:8786; all of them "
        "must see DIR, and files of your own, under the same paths (a shared folder)",
    )
    parser.add_argument(
        "--shard", type=shard, default=(1, 1), metavar="I/N", help="only the I-th of N parts"
    )
    parser.add_argument(
        "--only",
        metavar="CELL",
        help="do this one cell, again if it is done: a key of the column cell_key in rows.csv",
    )
    parser.add_argument("--keep-frames", action="store_true", help="keep the rendered stacks")
    add_progress_option(parser)


def shard(text: str) -> tuple[int, int]:
    """Read ``2/5``."""
    which, _, count = text.partition("/")
    if not (which.isdecimal() and count.isdecimal() and 1 <= int(which) <= int(count)):
        raise argparse.ArgumentTypeError(f"got {text!r}, allowed I/N with 1 <= I <= N")
    return int(which), int(count)


def run(args: argparse.Namespace) -> int:
    """Run the suite and print the standing of the methods on its plain stacks."""
    if args.cluster is not None and args.workers is not None:
        raise RequestError("--workers and --cluster: got both, allowed one of them")
    with request():
        suite = load_suite(args.suite)
    rows = bench(
        suite,
        args.out,
        workers=args.workers or 1,
        cluster=args.cluster,
        shard=args.shard,
        only=args.only,
        keep_frames=args.keep_frames,
        progress=shows_progress(args),
    )
    if rows.empty:
        print("no cell is done")
        return 0
    if args.only:
        return tell_one(rows[rows["cell_key"] == args.only].iloc[0], args.out)
    print(standing(rows[rows["condition"] == PLAIN]))
    if suite.shortcomings:
        print(f"this suite ranks no method: {'; '.join(suite.shortcomings)}")
    print(f"all cells are in {args.out / 'rows.csv'}")
    failed = rows[~rows["status"].isin(DONE)]
    if failed.empty:
        return 0
    print(f"stacktruth bench: {len(failed)} of {len(rows)} cells failed", file=sys.stderr)
    return 1


def tell_one(row: pd.Series, out: Path) -> int:
    """Print what a cell is and what came of it; return the exit status."""
    print(
        f"{row['scene']}, {row['condition']} {row['severity']}, seed {row['seed']}, {row['method']}"
    )
    if row["status"] == "ok":
        print(
            f"{row['total.psnr_db']:.2f} dB against the ideal; all its numbers: {out / 'rows.csv'}"
        )
        return 0
    print(f"{row['status']}: {row['reason']}")
    return int(row["status"] != "skipped")


def standing(rows: pd.DataFrame) -> str:
    """Return the methods, best first: what each typically lost in the merge, with its interval."""
    # Slow to load, and the processes of a benchmark, which load this module, do without.
    from ..bench.ranking.metric_column import LOST, TOTAL, metric_column  # noqa: PLC0415
    from ..bench.ranking.standings import standings  # noqa: PLC0415
    from ..bench.ranking.words import headline  # noqa: PLC0415

    if not rows.reindex(columns=[LOST, TOTAL]).notna().all(axis=1).any():
        return "no method has a result on a plain stack"
    found = standings(rows, metric_column(LOST, rows.columns))
    shown = found.table.assign(
        interval=[
            f"{low:.2f} to {high:.2f}" if isfinite(low) else "-"
            for low, high in zip(found.table["low"], found.table["high"], strict=True)
        ]
    )
    heads = {
        "method": "method",
        "typical": "lost in the merge dB",
        "interval": "95 % interval",
        "total_psnr_db": "result dB",
        "scenes": "scenes",
        "failed": "failed",
        "skipped": "skipped",
    }
    table = shown[list(heads)].rename(columns=heads).set_index("method").rename_axis(index=None)
    # The name over the columns stands where that over the methods would be.
    told = table.rename_axis(columns="method").to_string(float_format="{:.2f}".format)
    return f"{told}\n{headline(found)}"
