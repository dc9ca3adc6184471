"""What is left to do on a stack: missing, or ended from outside."""

from __future__ import annotations

import pytest

from stacktruth.runners.bench.grid.cells import Cell, cells_of
from stacktruth.runners.bench.grid.suite import Suite
from stacktruth.runners.bench.running.missing import left_of
from stacktruth.runners.bench.running.store import DoneCell

METHODS = ("oracle", "middle-frame", "mean", "mean+true-warp")


@pytest.fixture(scope="module")
def cells() -> list[Cell]:
    """Return the cells of a stack: two methods, and two that are truth-fed."""
    return cells_of(Suite(name="one", scenes=("ramp",), methods=METHODS, frames=5))


def done(view: int | None, status: str = "ok", *, from_outside: bool = False) -> DoneCell:
    """Return a finished cell with what matters of its row."""
    return DoneCell(row={"status": status, "reference": view}, from_outside=from_outside)


def names(cells: list[Cell], *rows: DoneCell | None, only: int | None = None) -> list[str]:
    """Return the methods of the cells that are left."""
    key = None if only is None else cells[only].key
    left = left_of(dict(zip(cells, rows, strict=True)), only=key)
    return [cell.method.name for cell in left]


def test_without_rows_all_is_left_and_with_whole_ones_nothing(cells: list[Cell]) -> None:
    """Without rows all is left; with whole rows in one view, nothing."""
    assert names(cells, None, None, None, None) == list(METHODS)
    assert names(cells, done(2), done(2), done(2), done(2)) == []


@pytest.mark.parametrize("status", ["killed", "timed-out", "failed", "skipped"])
def test_what_was_ended_from_outside_is_tried_again(cells: list[Cell], status: str) -> None:
    """Its row does not count; that of a method which ended by its own fault or limit does."""
    lost, own = done(None, "killed", from_outside=True), done(None, status)
    assert names(cells, done(2), done(2), lost, done(2)) == ["mean"]
    assert names(cells, done(2), done(2), own, done(2)) == []


def test_a_row_in_any_view_is_whole(cells: list[Cell]) -> None:
    """A method that insists on its own view makes no other method's row stale."""
    assert names(cells, done(2), done(4), done(4), done(2)) == []


def test_one_wanted_cell_stands_alone(cells: list[Cell]) -> None:
    """Done or not, truth-fed or not."""
    assert names(cells, done(2), done(2), done(2), done(2), only=1) == ["middle-frame"]
    assert names(cells, None, None, None, None, only=0) == ["oracle"]
    assert names(cells, None, done(2), None, None, only=3) == ["mean+true-warp"]
