"""What is left to do on a stack, judged by the cells that are done."""

from __future__ import annotations

from collections.abc import Mapping

from ...isolate.identity import changed
from ...judge.scoring import usual_view
from ..grid.cells import Cell
from .store import DoneCell

#: The cells of one stack, each with what is kept of it, if anything.
Cells = Mapping[Cell, DoneCell | None]


def left_of(cells: Cells, *, only: str | None = None) -> list[Cell]:
    """Return the cells of a stack that are to be done.

    A cell that was ended from outside has its row, and is tried again; so is one whose method has
    loaded what is not the same any more. A truth-fed method merges
    in the view that most others chose; a row from another view than that is wrong.

    Parameters
    ----------
    cells : mapping of Cell to DoneCell or None
        All cells of the stack.
    only : str or None
        Key of the one cell that is wanted, done or not; what it rests on comes before it.
    """
    left = [
        cell
        for cell, done in cells.items()
        if done is None or done.from_outside or changed(done.loaded)
    ]
    view = usual_view(views_of(cells))
    left += [
        cell
        for cell, done in cells.items()
        if cell not in left and cell.method.needs_truth and _merged_elsewhere(done, view)
    ]
    if only is None:
        return left
    chosen = [cell for cell in cells if cell.key == only]
    if not any(cell.method.needs_truth for cell in chosen):
        return chosen
    return [cell for cell in left if not cell.method.needs_truth] + chosen


def views_of(cells: Cells) -> tuple[int, ...]:
    """Return the views that a stack's finished methods chose, truth-fed ones left out."""
    found = (
        done.row.get("reference")
        for cell, done in cells.items()
        if done and not cell.method.needs_truth
    )
    return tuple(int(view) for view in found if view is not None)


def _merged_elsewhere(done: DoneCell | None, view: int | None) -> bool:
    if done is None or view is None or done.row.get("reference") is None:
        return False
    return int(done.row["reference"]) != view
