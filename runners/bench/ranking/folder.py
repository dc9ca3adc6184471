"""The rows of a benchmark's folder as they are compared; a published folder has no cells."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from ....ground.text import plain_line
from ...csv_text import read_rows
from ...request import RequestError
from ..grid.cells import PLAIN
from ..grid.suite import Suite, suite_in

ROWS = "rows.csv"
_COLUMNS = ("scene", "method", "status", "condition")
_SHOWN = 200


def plain_rows(folder: Path) -> tuple[Suite, pd.DataFrame]:
    """Return a benchmark's suite and its cells on stacks that no condition makes worse.

    Parameters
    ----------
    folder : Path
        With ``suite.json`` and ``rows.csv``; nothing else of a benchmark is needed.

    Raises
    ------
    RequestError
        The folder holds no benchmark, or none of its plain cells is done.
    """
    suite = suite_in(folder)
    rows = published_rows(folder)
    plain = rows[rows["condition"] == PLAIN]
    if plain.empty:
        raise RequestError(
            f"{folder / ROWS}: no plain cell is done: got {len(rows)} rows, allowed one or more of "
            "condition plain"
        )
    return suite, plain


def published_rows(folder: Path) -> pd.DataFrame:
    """Return the rows of a benchmark's table; nothing else of the folder is needed.

    Raises
    ------
    RequestError
        There is no such table, or it is of another make.
    """
    try:
        rows = read_rows(folder / ROWS)
    except (OSError, ValueError) as error:
        told = error.strerror if isinstance(error, OSError) else str(error)
        raise RequestError(
            f"{folder / ROWS}: cannot be read: got {plain_line(str(told), longest=_SHOWN)!r}, "
            "expected the table of a benchmark"
        ) from error
    if not set(_COLUMNS) <= set(rows):
        found = plain_line(", ".join(map(str, rows.columns)), longest=_SHOWN)
        raise RequestError(
            f"{folder / ROWS}: is no table of a benchmark: got columns {found or 'none'}, "
            f"expected {', '.join(_COLUMNS)} and more"
        )
    return rows
