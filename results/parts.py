"""Some scenes of a suite run again, and put into the tables of a whole run."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from stacktruth.ground.atomic import write_whole
from stacktruth.runners.bench.grid.names import scene_called
from stacktruth.runners.bench.grid.suite import Suite

#: What tells a row from others, in the tables that have it.
_NAMES = ("condition", "severity", "scene", "rig", "stance", "light", "subject", "seed", "method")


def some_scenes(suite: Suite, scenes: Sequence[str]) -> Suite:
    """Return a suite with some of its scenes only.

    Parameters
    ----------
    suite : Suite
    scenes : sequence of str
        As the suite names them: ``coin``, ``coin:1``.

    Raises
    ------
    ValueError
        The suite lacks one of them.
    """
    if strange := [name for name in scenes if name not in suite.scenes]:
        raise ValueError(
            f"scenes: got {', '.join(strange)}, allowed those of {suite.name}: "
            + ", ".join(suite.scenes)
        )
    drawn = {scene_called(name) for name in scenes}
    ladders = [
        (one, tuple(name for name in one.scenes if scene_called(name) in drawn))
        for one in suite.ladders
    ]
    return replace(
        suite,
        scenes=tuple(name for name in suite.scenes if name in scenes),
        places=tuple(place for place in suite.places if place.scene in scenes),
        ladders=tuple(replace(one, scenes=kept) for one, kept in ladders if kept or not one.scenes),
    )


def put_in(path: Path, made: Path) -> None:
    """Put the rows of some scenes into a table; all other lines stay to the byte.

    Parameters
    ----------
    path : Path
        The table of a whole run, CSV with a column ``scene``.
    made : Path
        The table of some scenes.

    Raises
    ------
    ValueError
        It has other rows of these scenes, or another column.
    """
    header, held = _rows(path)
    columns, new = _rows(made)
    if strange := sorted(set(columns) - set(header)):
        raise ValueError(f"{made}: column {strange[0]}: not in {path}; run the whole suite")
    scenes = {row["scene"] for row in new}
    places = [number for number, row in enumerate(held) if row["scene"] in scenes]
    if [_named(held[number]) for number in places] != [_named(row) for row in new]:
        raise ValueError(f"{made}: other rows of {', '.join(sorted(scenes))} than {path} has")
    for number, row in zip(places, new, strict=True):
        held[number] = row
    write_whole(path, _text(header, held).encode())


def _named(row: dict[str, str]) -> tuple[str, ...]:
    return tuple(row[name] for name in _NAMES if name in row)


def _rows(path: Path) -> tuple[list[str], list[dict[str, str]]]:
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        return list(reader.fieldnames or ()), list(reader)


def _text(header: list[str], rows: list[dict[str, str]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, header, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()
