"""What is left to do on a stack, judged by the rows that are there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ...isolate.workplace import FROM_OUTSIDE
from ...judge.scoring import usual_view
from ..grid.cells import Cell

Row = Mapping[str, Any]
#: The cells of one stack, each with its row where it has one.
Rows = Mapping[Cell, Row | None]


def left_of(rows: Rows, *, only: str | None = None) -> list[Cell]:
    """Return the cells of a stack that are to be done.

    Parameters
    ----------
    rows : mapping of Cell to row or None
        All cells of the stack.
    only : str or None
        Key of the one cell that is wanted, done or not; what it rests on comes before it.
    """
    left = [cell for cell, row in rows.items() if row is None or was_disturbed(row)]
    # A method that is told the truth merges in the view that most others chose, and another choice
    # than that at its time makes its row wrong.
    view = usual_view(views_of(rows))
    left += [
        cell
        for cell, row in rows.items()
        if cell not in left and cell.method.needs_truth and _merged_elsewhere(row, view)
    ]
    if only is None:
        return left
    chosen = [cell for cell in rows if cell.key == only]
    if not any(cell.method.needs_truth for cell in chosen):
        return chosen
    return [cell for cell in left if not cell.method.needs_truth] + chosen


def was_disturbed(row: Row) -> bool:
    """Tell whether a cell was ended from outside: it has its row, and is tried again."""
    return row["status"] == "killed" and str(row["reason"]).startswith(FROM_OUTSIDE)


def views_of(rows: Rows) -> tuple[int, ...]:
    """Return the views that a stack's finished methods chose, of those not told the truth."""
    found = (
        row.get("reference") for cell, row in rows.items() if row and not cell.method.needs_truth
    )
    return tuple(int(view) for view in found if view is not None)


def _merged_elsewhere(row: Row | None, view: int | None) -> bool:
    if row is None or view is None or row.get("reference") is None:
        return False
    return int(row["reference"]) != view
