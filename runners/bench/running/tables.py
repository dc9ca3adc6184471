"""The tables of a benchmark, made of the cells that are done."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from ....ground.atomic import write_whole
from ...csv_text import csv_text
from ..grid.cells import Cell
from .store import Store
from .work import TIME_COLUMNS

_KEYS = ("cell_key", "scene", "method")
#: A whole number that a row without scores has not: no such row changes how the others are written.
_WHOLE = "reference"


def rows_done(store: Store, cells: Sequence[Cell]) -> pd.DataFrame:
    """Return a row for each finished cell, in the suite's order.

    Columns are in the order of the row that has most: one without scores does not change it.
    """
    found = [row for cell in cells if (row := store.row(cell.key)) is not None]
    columns = dict.fromkeys(name for row in sorted(found, key=len, reverse=True) for name in row)
    return pd.DataFrame(found, columns=list(columns))


def write_tables(store: Store, cells: Sequence[Cell]) -> pd.DataFrame:
    """Write rows.csv, the same for every run of the suite, and times.csv; return all columns."""
    rows = rows_done(store, cells)
    if rows.empty:
        return rows
    times = [name for name in TIME_COLUMNS if name in rows]
    told = rows.drop(columns=times)
    write_table(store.path / "rows.csv", told.astype({_WHOLE: "Int64"}) if _WHOLE in told else told)
    write_table(store.path / "times.csv", rows[[*_KEYS, *times]])
    return rows


def write_table(path: Path, rows: pd.DataFrame) -> None:
    """Write a table as CSV; the file is there whole or as it was."""
    write_whole(path, csv_text(rows).encode("utf-8", "replace"))
