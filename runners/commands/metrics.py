"""``metrics``: score one picture against another, without a stack or a simulator."""

from __future__ import annotations

import argparse
import csv
import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ...ground.finished import read_finished
from ...ground.srgb import clipped_srgb
from ...ground.types import Floats
from ...metrics.record import Metric
from ...metrics.registry import METRICS, metric
from ..csv_text import harmless
from ..request import RequestError, new_path, request, whole_file

#: Metrics that ask for two pictures and nothing else.
PAIR_METRICS: Mapping[str, Metric] = {
    name: known
    for name, known in METRICS.items()
    if known.group in ("image", "tone", "artefact") and known.needs == ("data_range",)
}
_COLUMNS = ("metric", "value", "unit", "better", "status")
_DIGITS = 6


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "metrics",
        help="score one picture against another",
        description="Score picture A against picture B, pixel by pixel as they are: nothing is "
        "aligned or brightened. Each file's own white is 1; integers are sRGB-encoded.",
        epilog=f"metrics: {', '.join(PAIR_METRICS)}",
    )
    parser.set_defaults(run=run)
    parser.add_argument("result", type=Path, metavar="A", help="picture to score")
    parser.add_argument("reference", type=Path, metavar="B", help="picture it should be like")
    parser.add_argument(
        "--name",
        action="append",
        metavar="METRIC",
        help="only this metric; may be repeated (default: all that two pictures are enough for)",
    )
    parser.add_argument(
        "--linear", action="store_true", help="the values are linear light, not sRGB-encoded"
    )
    parser.add_argument("--csv", type=Path, metavar="FILE", help="table to make")
    parser.add_argument("--json", action="store_true", help="print the table as JSON")


def run(args: argparse.Namespace) -> int:
    """Score and print the table."""
    with request():
        if args.csv is not None:
            new_path(args.csv)
        wanted = _wanted(args.name)
        pair = _alike(
            {path: _read(path, linear=args.linear) for path in (args.result, args.reference)},
            (args.result, args.reference),
        )
    rows = [_row(known, *pair) for known in wanted]
    if args.csv is not None:
        with whole_file(args.csv) as draft, draft.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, _COLUMNS, lineterminator="\n")
            writer.writeheader()
            writer.writerows({k: harmless(v) for k, v in row.items()} for row in rows)
    print(json.dumps([_for_json(row) for row in rows], indent=1) if args.json else _table(rows))
    return 0


def _wanted(names: Sequence[str] | None) -> list[Metric]:
    """Return the metrics asked for, each once, in the order asked."""
    wanted = []
    for name in dict.fromkeys(names or PAIR_METRICS):
        known = metric(name)
        if name not in PAIR_METRICS:
            more = ", ".join(need for need in known.needs if need != "data_range")
            more = more or f"what the group {known.group!r} scores"
            raise RequestError(
                f"metric {name!r} needs more than two pictures: {more}\n"
                f"two are enough for: {', '.join(PAIR_METRICS)}"
            )
        wanted.append(known)
    return wanted


def _read(path: Path, *, linear: bool) -> Floats:
    """Return a picture file sRGB-encoded, 1 for white."""
    if not path.is_file():
        raise RequestError(f"{path}: there is no such file: got none, expected a picture")
    image = read_finished(path)
    if image.ndim not in (2, 3) or (image.ndim == 3 and image.shape[2] != 3):
        raise RequestError(f"{path}: got shape {image.shape}, allowed a plane or 3 channels")
    if image.dtype.kind not in "uf" or image.dtype.itemsize > 4 or image.dtype == np.uint32:
        raise RequestError(f"{path}: got type {image.dtype}, allowed uint8, uint16 and float32")
    if not np.isfinite(image).all():
        bad = int(np.count_nonzero(~np.isfinite(image)))
        raise RequestError(f"{path}: got {bad} values that are NaN or infinite, allowed none")
    white = np.iinfo(image.dtype).max if image.dtype.kind == "u" else 1
    values = image.astype(np.float32) / np.float32(white)
    return clipped_srgb(values) if linear else values


def _alike(images: Mapping[Path, Floats], paths: tuple[Path, Path]) -> tuple[Floats, Floats]:
    """Return both pictures in one shape: a plane beside a colour picture has its grey thrice."""
    first, second = (images[path] for path in paths)
    if first.shape[:2] != second.shape[:2]:
        sizes = [f"{path}: {images[path].shape[1]}x{images[path].shape[0]} px" for path in paths]
        raise RequestError(f"the pictures: got sizes {', '.join(sizes)}, allowed one size")
    if first.ndim == second.ndim:
        return first, second
    return _coloured(first), _coloured(second)


def _coloured(image: Floats) -> Floats:
    return np.repeat(image[..., None], 3, axis=2) if image.ndim == 2 else image


def _row(known: Metric, result: Floats, reference: Floats) -> dict[str, Any]:
    value = known.function(result, reference, data_range=1.0)
    return {
        "metric": known.name,
        "value": value,
        "unit": known.unit,
        "better": known.wanted,
        "status": known.status(value),
    }


def _for_json(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a row as JSON can hold it: no NaN, and infinity said in words."""
    value = row["value"]
    if math.isfinite(value):
        return dict(row)
    return {**row, "value": None, "status": "infinite" if math.isinf(value) else row["status"]}


def _table(rows: Sequence[Mapping[str, Any]]) -> str:
    cells = [("metric", "value", "unit", "better", "")]
    for row in rows:
        value = "-" if math.isnan(row["value"]) else f"{row['value']:.{_DIGITS}g}"
        note = "" if row["status"] == "ok" else row["status"]
        cells.append((row["metric"], value, row["unit"], row["better"], note))
    widths = [max(len(line[column]) for line in cells) for column in range(len(cells[0]))]
    lines = [
        "  ".join(
            text.rjust(width) if column == 1 else text.ljust(width)
            for column, (text, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in cells
    ]
    return "\n".join(lines)
