"""What is left to do on a stack: missing, disturbed, or told the truth in a view of the past."""

from __future__ import annotations

from typing import Any

import pytest

from stacktruth.runners.bench.grid.cells import Cell, cells_of
from stacktruth.runners.bench.grid.suite import Suite
from stacktruth.runners.bench.running.missing import left_of, was_disturbed

METHODS = ("oracle", "middle-frame", "mean", "mean+true-warp")


@pytest.fixture(scope="module")
def cells() -> list[Cell]:
    """Return the cells of a stack: two methods, and two that are told the truth."""
    return cells_of(Suite(name="one", scenes=("ramp",), methods=METHODS, frames=5))


def done(view: int | None, status: str = "ok", reason: str = "") -> dict[str, Any]:
    """Return what matters of a row."""
    return {"status": status, "reason": reason, "reference": view}


def names(cells: list[Cell], *rows: dict[str, Any] | None, only: int | None = None) -> list[str]:
    """Return the methods of the cells that are left."""
    key = None if only is None else cells[only].key
    left = left_of(dict(zip(cells, rows, strict=True)), only=key)
    return [cell.method.name for cell in left]


def test_all_or_nothing(cells: list[Cell]) -> None:
    """Without rows all is left; with whole rows in one view, nothing."""
    assert names(cells, None, None, None, None) == list(METHODS)
    assert names(cells, done(2), done(2), done(2), done(2)) == []


@pytest.mark.parametrize(
    "reason", ["ended from outside by signal SIGKILL", "ended from outside: x"]
)
def test_what_was_ended_from_outside_is_tried_again(cells: list[Cell], reason: str) -> None:
    """It has its row, which does not count; what ended by its own fault or limit does."""
    lost = done(None, "killed", reason)
    assert was_disturbed(lost)
    assert names(cells, done(2), done(2), lost, done(2)) == ["mean"]
    for status, why in (
        ("killed", "took more than 100 MB of memory"),
        ("timed-out", "took more than 5 s"),
        ("failed", "ValueError: ended from outside"),
        ("skipped", "not for it"),
    ):
        own = done(None, status, why)
        assert not was_disturbed(own)
        assert names(cells, done(2), done(2), own, done(2)) == []


def test_the_truth_is_told_again_when_others_chose_another_view(cells: list[Cell]) -> None:
    """Most chose 2, or of equals the earlier: what merged elsewhere is wrong by now."""
    assert names(cells, done(4), done(2), done(2), done(2)) == ["oracle"]
    assert names(cells, done(4), done(2), done(4), done(4)) == ["oracle", "mean+true-warp"]
    assert names(cells, done(2), done(2), done(4), done(2)) == []
    # Nobody chose any, or the one that was told failed: no other view to go by.
    assert names(cells, done(4), done(None, "failed"), done(None, "failed"), done(4)) == []
    assert names(cells, done(None, "failed"), done(2), done(2), done(2)) == []


def test_one_cell_and_what_it_rests_on(cells: list[Cell]) -> None:
    """One that chooses its view stands alone; one that is told needs those that choose."""
    assert names(cells, done(2), done(2), done(2), done(2), only=1) == ["middle-frame"]
    assert names(cells, None, None, None, None, only=2) == ["mean"]
    assert names(cells, None, None, None, None, only=0) == ["middle-frame", "mean", "oracle"]
    assert names(cells, None, done(2), None, None, only=3) == ["mean", "mean+true-warp"]
    assert names(cells, done(2), done(2), done(2), done(2), only=0) == ["oracle"]
