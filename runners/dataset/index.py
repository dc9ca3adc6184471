"""The tables of a data set, a row for each stack and each frame, as CSV and as JSON lines."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from io import StringIO
from math import isfinite, isnan
from pathlib import Path
from typing import Any

from ...ground.checksum import file_sha256, sha256
from ...simulator.shooting.shoot import Shoot
from ...simulator.stack.manifest import MANIFEST
from ...simulator.stack.stackio import Stack
from ..csv_text import harmless
from .columns import FRAME_COLUMNS, STACK_COLUMNS
from .packed import PackedStack
from .planned import PlannedStack

Row = Mapping[str, Any]
STACKS, FRAMES = "stacks", "frames"
#: Endings of each table.
TABLES = (".csv", ".jsonl")


@dataclass(frozen=True, kw_only=True)
class StackFacts:
    """What the tables say of one stack.

    Parameters
    ----------
    row : mapping
        Of the table of stacks.
    frames : sequence of mappings
        Rows of the table of frames.
    sums : sequence of (path in the data set, checksum)
        Of its files that do not say which versions made them.
    """

    row: Row
    frames: Sequence[Row]
    sums: Sequence[tuple[str, str]]


def facts_of(one: PlannedStack, stack: Stack | PackedStack, *, folder: Path) -> StackFacts:
    """Return what the tables say of a stack that was made.

    Parameters
    ----------
    one : PlannedStack
    stack : Stack or PackedStack
    folder : Path
        Of the data set.
    """
    path = stack.path.relative_to(folder).as_posix()
    if isinstance(stack, Stack):
        files = {name: held for name, held in stack.manifest.files.items() if name != MANIFEST}
        sums = [(f"{path}/{name}", held.sha256) for name, held in sorted(files.items())]
        size = sum(held.bytes for held in files.values())
        digest = sha256(sums_text(sums).encode())
    else:
        digest = file_sha256(stack.path)
        sums, size = [(path, digest)], stack.path.stat().st_size
    told: dict[str, Any] = {"name": one.name, "split": one.split}
    row = {**told, **_of_shoot(one, stack.shoot), **_of_info(stack.info)}
    row |= {"usable": int(stack.records["usable"].sum())}
    row |= {"path": path, "bytes": size, "sha256": digest}
    frames = []
    for frame, record in zip(stack.info["frames"], stack.records.to_dict("records"), strict=True):
        at = f"{path}/{frame['file']}" if isinstance(stack, Stack) else path
        own = {**told, "path": at, "nominal_focus_mm": frame["nominal_focus_mm"], **record}
        frames.append({column.name: own[column.name] for column in FRAME_COLUMNS})
    return StackFacts(
        row={column.name: row[column.name] for column in STACK_COLUMNS}, frames=frames, sums=sums
    )


def _of_shoot(one: PlannedStack, shot: Shoot) -> dict[str, Any]:
    drawn = shot.scene.drawn
    return {
        "scene": one.scene,
        "family": "" if drawn is None else drawn.family,
        "scene_seed": None if drawn is None else drawn.seed,
        "seed": shot.seed,
        **{name: getattr(shot, name).name for name in ("rig", "stance", "light", "subject")},
        "iso": shot.iso,
        "f_number": shot.rig.lens.f_number,
    }


def _of_info(info: Row) -> dict[str, Any]:
    names = ("reference", "width_px", "height_px", "pitch_um", "magnification", "encoding", "bits")
    return {"frames": len(info["frames"]), **{name: info[name] for name in names}}


def tables(facts: Sequence[StackFacts]) -> dict[str, str]:
    """Return the text of each table by the name of its file."""
    rows = {
        STACKS: [one.row for one in facts],
        FRAMES: [frame for one in facts for frame in one.frames],
    }
    texts = {f"{name}.csv": _csv(found) for name, found in rows.items()}
    return texts | {f"{name}.jsonl": _json_lines(found) for name, found in rows.items()}


def sums_text(sums: Sequence[tuple[str, str]]) -> str:
    """Return checksums as ``sha256sum --check`` reads them."""
    return "".join(f"{digest}  {path}\n" for path, digest in sums)


def _csv(rows: Sequence[Row]) -> str:
    text = StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(rows[0])
    for row in rows:
        writer.writerow([_cell(value) for value in row.values()])
    return text.getvalue()


def _cell(value: Any) -> Any:
    """Return a value as CSV has it: a number that does not exist is empty."""
    missing = value is None or (isinstance(value, float) and isnan(value))
    return "" if missing else harmless(value)


def _json_lines(rows: Sequence[Row]) -> str:
    return "".join(
        json.dumps({key: _plain(value) for key, value in row.items()}, ensure_ascii=False) + "\n"
        for row in rows
    )


def _plain(value: Any) -> Any:
    """Return a value as JSON has it: no NaN, no infinity."""
    return None if isinstance(value, float) and not isfinite(value) else value
