"""What was there is never lost: folders with something else, damaged files, tables of others."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from stacktruth.runners.bench import load_suite
from stacktruth.runners.bench.grid.cells import cells_of
from stacktruth.runners.bench.grid.suite import Suite, suite_text
from stacktruth.runners.bench.report.report import _environment
from stacktruth.runners.bench.running import work
from stacktruth.runners.bench.running.folder import refuse_other_contents
from stacktruth.runners.bench.running.store import DoneCell, Store
from stacktruth.runners.csv_text import csv_text, read_rows, write_rows
from stacktruth.runners.request import RequestError
from stacktruth.simulator.stack.stackio import read_stack, write_stack
from tests.runners.bench_suites import run, write_suite


def suite_of(folder: Path, name: str, **how: object) -> Suite:
    """Return a small suite of this name."""
    folder.mkdir(exist_ok=True)
    path = write_suite(folder, **how)
    return load_suite(path.rename(folder / f"{name}.toml"))


def held(out: Path, suite: Suite) -> Store:
    """Make a folder in which all of a suite is done."""
    store = Store(out)
    store.make()
    (out / "suite.json").write_text(suite_text(suite))
    for cell in cells_of(suite):
        store.keep(cell.key, DoneCell(row={"suite": suite.name}))
    (out / "rows.csv").write_text("suite,scene,cell_key\n")
    return store


def files_in(folder: Path) -> dict[str, bytes]:
    """Return all files with what they hold."""
    return {str(p): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_another_suite_is_refused_with_what_the_folder_holds(tmp_path: Path) -> None:
    """The message names both suites and how much is there; nothing is changed."""
    mine = suite_of(tmp_path / "a", "mine", scenes=["ramp"], methods=["mean"])
    other = suite_of(tmp_path / "b", "other", scenes=["pickets"], methods=["mean"])
    store = held(tmp_path / "out", mine)
    before = files_in(store.path)
    with pytest.raises(RequestError, match=r"holds 1 finished cells of suite 'mine'.*'other'"):
        refuse_other_contents(store, other, cells_of(other))
    assert files_in(store.path) == before
    refuse_other_contents(store, mine, cells_of(mine))


def test_a_suite_that_has_grown_is_taken(tmp_path: Path) -> None:
    """One method more: no row is lost. One method less is refused."""
    small = suite_of(tmp_path / "a", "s", scenes=["ramp"], methods=["mean"])
    large = suite_of(tmp_path / "a", "s", scenes=["ramp"], methods=["mean", "focus-map"])
    refuse_other_contents(held(tmp_path / "one", small), large, cells_of(large))
    with pytest.raises(RequestError, match="1 finished cells"):
        refuse_other_contents(held(tmp_path / "two", large), small, cells_of(small))


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("holiday.jpg", "x", "holds holiday.jpg, which is no benchmark"),
        ("rows.csv", "name,phone\n", "rows.csv: is no table of a benchmark"),
        ("rows.csv", "\x1b[2J\x00,<b>\n", "rows.csv: is no table of a benchmark"),
        ("times.csv", "lap;time\n", "times.csv: is no table of a benchmark"),
        ("a\nb\x1b", "x", r"holds a b\?, which is no benchmark"),
    ],
)
def test_what_is_no_benchmark_is_refused(tmp_path: Path, name: str, text: str, says: str) -> None:
    """Also where it has one of our names; in a line."""
    suite = suite_of(tmp_path / "a", "s", scenes=["ramp"], methods=["mean"])
    out = tmp_path / "out"
    out.mkdir()
    (out / name).write_text(text)
    with pytest.raises(RequestError, match=says) as caught:
        refuse_other_contents(Store(out), suite, cells_of(suite))
    assert all(line.isprintable() for line in str(caught.value).split("\n"))
    assert files_in(out) == {str(out / name): text.encode()}


def test_an_empty_or_missing_folder_and_notes_beside_are_taken(tmp_path: Path) -> None:
    """The user may keep notes in a benchmark's folder."""
    suite = suite_of(tmp_path / "a", "s", scenes=["ramp"], methods=["mean"])
    cells = cells_of(suite)
    refuse_other_contents(Store(tmp_path / "none"), suite, cells)
    (tmp_path / "empty").mkdir()
    refuse_other_contents(Store(tmp_path / "empty"), suite, cells)
    store = held(tmp_path / "out", suite)
    (store.path / "notes.txt").write_text("mine")
    refuse_other_contents(store, suite, cells)
    # A table of ours, cut within its first line, is written anew from the cells.
    (store.path / "rows.csv").write_text("suite,condition,severity,value,window,sce")
    refuse_other_contents(store, suite, cells)


@pytest.mark.parametrize(
    "text", ["", "{}", "[[" * 5000, "[" * 200_000, "9" * 100_000, "\x00", "[]"]
)
def test_broken_files_of_a_benchmark_count_as_missing(tmp_path: Path, text: str) -> None:
    """A cell, the suite, the environment: however deep, long or empty."""
    suite = suite_of(tmp_path / "a", "s", scenes=["ramp"], methods=["mean"])
    store = held(tmp_path / "out", suite)
    [cell] = cells_of(suite)
    for name in (f"cells/{cell.key}.json", "suite.json", "environment.json"):
        (store.path / name).write_text(text)
    assert store.done(cell.key) is None
    assert _environment(store.path / "environment.json") == {}
    refuse_other_contents(store, suite, [cell])


def test_the_file_of_another_cell_counts_as_missing(tmp_path: Path) -> None:
    """Two that have changed places are whole, each with its own checksum."""
    store = Store(tmp_path)
    store.make()
    for key in ("a", "b"):
        store.keep(key, DoneCell(row={"cell_key": key}))
    first, second = (tmp_path / "cells" / f"{key}.json" for key in ("a", "b"))
    held = first.read_bytes()
    first.write_bytes(second.read_bytes())
    assert (store.done("a"), store.row("b")) == (None, {"cell_key": "b"})
    second.write_bytes(held)
    assert store.done("b") is None


@pytest.mark.slow
def test_another_stack_in_the_place_of_one_that_was_kept_is_rendered_again(tmp_path: Path) -> None:
    """Its checksums are right: what it is a stack of tells."""
    suite = write_suite(tmp_path, scenes=["ramp"], methods=["mean"])
    peace = run(suite, tmp_path / "out", keep_frames=True)
    [path] = (tmp_path / "out" / "stacks").iterdir()
    shoot = replace(read_stack(path).shoot, seed=77)
    shutil.rmtree(path)
    write_stack(shoot, path, progress=False)
    for cell in (tmp_path / "out" / "cells").iterdir():
        cell.unlink()
    assert run(suite, tmp_path / "out") == peace


FORMULAS = [
    "=1+1",
    "+1",
    "-2+3",
    "@SUM(A1)",
    "'quoted",
    "\tx",
    "-",
    "plain",
    "a=b",
    "",
    "\u00fc \u202e",
]


def test_what_a_spreadsheet_would_run_is_marked_and_read_back(tmp_path: Path) -> None:
    """OWASP's list of beginnings, and our own mark; numbers stay numbers."""
    rows = pd.DataFrame({"reason": FORMULAS, "db": [-1.5] * len(FORMULAS)})
    cells = [line.split(",")[0].strip('"') for line in csv_text(rows).splitlines()[1:]]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t"))]
    write_rows(tmp_path / "rows.csv", rows)
    back = read_rows(tmp_path / "rows.csv")
    assert back["reason"].fillna("").tolist() == FORMULAS
    assert back["db"].tolist() == rows["db"].tolist()


@pytest.mark.slow
def test_frames_damaged_or_gone_in_the_middle_of_a_run_are_rendered_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before the second and the third method; rows are those of a run in peace."""
    suite = write_suite(tmp_path, scenes=["ramp"], methods=["mean", "focus-map", "oracle"])
    peace = run(suite, tmp_path / "peace")
    real, calls = work.Judge.run, []

    def disturbed(judge: work.Judge, *args: object, **how: object) -> object:
        calls.append(1)
        frames = sorted((judge.stack.path / "frames").iterdir())
        if len(calls) == 2:
            frames[1].write_bytes(frames[1].read_bytes()[:-5000])
        if len(calls) == 4:
            shutil.rmtree(judge.stack.path / "frames")
        return real(judge, *args, **how)

    monkeypatch.setattr(work.Judge, "run", disturbed)
    assert run(suite, tmp_path / "out") == peace
    assert len(calls) == 5
