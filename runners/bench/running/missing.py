"""What is left to do on a stack, judged by the cells that are done."""

from __future__ import annotations

from collections.abc import Mapping

from ...isolate.identity import changed
from ..grid.cells import Cell
from .store import DoneCell

#: The cells of one stack, each with what is kept of it, if anything.
Cells = Mapping[Cell, DoneCell | None]


def left_of(cells: Cells, *, only: str | None = None) -> list[Cell]:
    """Return the cells of a stack that are to be done.

    A cell that was ended from outside has its row, and is tried again; so is one whose method has
    loaded what is not the same any more.

    Parameters
    ----------
    cells : mapping of Cell to DoneCell or None
        All cells of the stack.
    only : str or None
        Key of the one cell that is wanted, done or not.
    """
    if only is not None:
        return [cell for cell in cells if cell.key == only]
    return [
        cell
        for cell, done in cells.items()
        if done is None or done.from_outside or changed(done.loaded)
    ]
