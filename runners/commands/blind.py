"""``blind``: stacks without truth to hand out, a check of what comes back, and its scores."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from ..bench.grid.suite import Suite, load_suite
from ..blind.dataset import make_blind, read_index
from ..blind.key import BlindKey, new_key, read_key, write_key
from ..blind.submission import examine
from ..csv_text import write_rows
from ..request import RequestError, new_path, request, whole_file
from .options import add_progress_option, shows_progress


def add_parser(commands: Any) -> None:
    """Register the command and its three parts."""
    parser = commands.add_parser("blind", help="hand out stacks without truth, and score answers")
    parts = parser.add_subparsers(dest="part", required=True, metavar="make|check|score")
    make = parts.add_parser("make", help="write frames alone; the key stays with you")
    make.set_defaults(run=run_make)
    make.add_argument("suite", metavar="SUITE", help="name or .toml file; methods are ignored")
    make.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to make")
    make.add_argument(
        "--key",
        type=Path,
        metavar="FILE",
        help="key to make, or to make the same set from (default: DIR.key, beside DIR)",
    )
    add_progress_option(make)
    check = parts.add_parser("check", help="see whether a submission is whole, before it is sent")
    check.set_defaults(run=run_check)
    score = parts.add_parser("score", help="score a submission")
    score.set_defaults(run=run_score)
    for part in (check, score):
        part.add_argument("folder", type=Path, metavar="DIR", help="folder of the blind set")
        part.add_argument("submission", type=Path, metavar="SUBMISSION", help="folder of pictures")
    score.add_argument("--key", type=Path, required=True, metavar="FILE", help="the maker's")
    score.add_argument("--csv", type=Path, metavar="FILE", help="table to make, all columns")
    score.add_argument("--json", action="store_true", help="print all columns as JSON")


def run_make(args: argparse.Namespace) -> int:
    """Make a set, and say where its key is."""
    out = new_path(args.out)
    path = args.key or out.absolute().parent / f"{out.name}.key"
    with request():
        suite = load_suite(args.suite)
    key, is_new = _key_at(path, suite)
    index = make_blind(key, out, progress=shows_progress(args))
    print(f"{len(index.stacks)} stacks in {out}; checksum of the key: {index.key_sha256}")
    print(f"{'keep' if is_new else 'made from'} the key: {path}")
    return 0


def _key_at(path: Path, suite: Suite) -> tuple[BlindKey, bool]:
    """Return the key in a file, made where there is none, and whether it was made."""
    if not path.exists():
        key = new_key(suite)
        write_key(key, path)
        return key, True
    key = read_key(path)
    if key.suite != suite:
        raise RequestError(f"{path}: this key is of another suite; give a new path with --key")
    return key, False


def run_check(args: argparse.Namespace) -> int:
    """Print what is wrong, a line each; status 1 when anything is."""
    index = read_index(args.folder)
    found = dict(examine(index, args.submission))
    problems = {name: what for name, what in found.items() if isinstance(what, str)}
    for name, problem in problems.items():
        print(f"{name}: {problem}")
    sound = sum(name not in problems for name in index.stacks)
    print(f"{sound} of {len(index.stacks)} stacks are sound")
    return int(bool(problems))


def run_score(args: argparse.Namespace) -> int:
    """Print the scores of what is sound, and on stderr what is wrong."""
    # Slow to load, and the check does without.
    import pandas as pd  # noqa: PLC0415

    from ..blind.scoring import score_submission  # noqa: PLC0415
    from ..judge.printed import MAIN_COLUMNS, as_text  # noqa: PLC0415

    if args.csv is not None:
        new_path(args.csv)
    scored = list(score_submission(args.folder, args.submission, read_key(args.key)))
    rows = pd.DataFrame([one.row for one in scored if one.row is not None])
    if args.csv is not None:
        with whole_file(args.csv) as draft:
            write_rows(draft, rows)
    shown = {"stack": "stack", **MAIN_COLUMNS}
    print(rows.to_json(orient="records", indent=1) if args.json else as_text(rows, shown, digits=3))
    problems = [one for one in scored if one.problem]
    for one in problems:
        print(f"stacktruth blind score: {one.name}: {one.problem}", file=sys.stderr)
    return int(bool(problems))
