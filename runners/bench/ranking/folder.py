"""The rows of a benchmark's folder as they are compared; a published folder has no cells."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from ...csv_text import read_rows
from ...request import RequestError
from ..grid.cells import PLAIN
from ..grid.suite import Suite, suite_in

ROWS = "rows.csv"


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
    try:
        rows = read_rows(folder / ROWS)
    except (OSError, ValueError) as error:
        raise RequestError(f"{folder / ROWS}: cannot be read: {error}") from error
    if not {"scene", "method", "status", "condition"} <= set(rows):
        raise RequestError(f"{folder / ROWS}: is no table of a benchmark")
    plain = rows[rows["condition"] == PLAIN]
    if plain.empty:
        raise RequestError(f"{folder / ROWS}: no plain cell is done; nothing can be compared")
    return suite, plain
