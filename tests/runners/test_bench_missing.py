"""What is left to do on a stack: missing, ended from outside, or truth-fed in an old view."""

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


def test_truth_fed_methods_merge_again_when_others_chose_another_view(cells: list[Cell]) -> None:
    """Most chose 2, or of equals the earlier: what merged elsewhere is wrong by now."""
    assert names(cells, done(4), done(2), done(2), done(2)) == ["oracle"]
    assert names(cells, done(4), done(2), done(4), done(4)) == ["oracle", "mean+true-warp"]
    assert names(cells, done(2), done(2), done(4), done(2)) == []
    # Nobody chose any, or the truth-fed one failed: no other view to go by.
    assert names(cells, done(4), done(None, "failed"), done(None, "failed"), done(4)) == []
    assert names(cells, done(None, "failed"), done(2), done(2), done(2)) == []


def test_one_wanted_cell_brings_what_it_rests_on(cells: list[Cell]) -> None:
    """One that chooses its view stands alone; a truth-fed one needs those that choose."""
    assert names(cells, done(2), done(2), done(2), done(2), only=1) == ["middle-frame"]
    assert names(cells, None, None, None, None, only=2) == ["mean"]
    assert names(cells, None, None, None, None, only=0) == ["middle-frame", "mean", "oracle"]
    assert names(cells, None, done(2), None, None, only=3) == ["mean", "mean+true-warp"]
    assert names(cells, done(2), done(2), done(2), done(2), only=0) == ["oracle"]
