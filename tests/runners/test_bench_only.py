"""One named cell of a benchmark, done again by the command that the page prints."""

from pathlib import Path

import pandas as pd
import pytest

from stacktruth.runners.bench import bench, load_suite
from stacktruth.runners.cli import main

TEXT = """
title = "two stacks"
scenes = ["ramp"]
seeds = [1, 2]
stances = ["braced"]
methods = ["oracle", "focus-map", "middle-frame", "mean"]
frames = 3
crop = [768, 512]
bin = 8
"""


@pytest.fixture(scope="module")
def suite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a suite of two stacks and four methods."""
    path = tmp_path_factory.mktemp("suite") / "two.toml"
    path.write_text(TEXT)
    return path


@pytest.fixture(scope="module")
def whole(suite: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run all of it."""
    out = tmp_path_factory.mktemp("bench") / "out"
    bench(load_suite(suite), out, progress=False, say=lambda _: None)
    return out


def row_of(folder: Path, key: str) -> dict[str, str]:
    """Return what stands in a cell's line of the table, to the last digit."""
    rows = pd.read_csv(folder / "rows.csv", dtype=str)
    return dict(rows[rows["cell_key"] == key].iloc[0].dropna())


@pytest.mark.parametrize("method", ["oracle", pytest.param("mean", marks=pytest.mark.slow)])
def test_a_cell_alone_has_the_same_numbers(
    method: str, suite: Path, whole: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """In a fresh folder: all digits as in the whole run, and no other cell is done with it."""
    rows = pd.read_csv(whole / "rows.csv")
    row = rows[(rows["seed"] == 2) & (rows["method"] == method)].iloc[0]
    out = tmp_path / "again"
    argv = ["bench", str(suite), "--out", str(out), "--no-progress", "--only", row["cell_key"]]
    assert main(argv) == 0
    told = capsys.readouterr().out
    assert f"ramp, plain 0, seed 2, {method}\n{row['total.psnr_db']:.2f} dB" in told
    assert row_of(out, row["cell_key"]) == row_of(whole, row["cell_key"])
    done = pd.read_csv(out / "rows.csv")
    assert set(done["seed"]) == {2}
    assert len(done) == 1


@pytest.mark.slow
def test_a_cell_that_is_done_is_done_again(suite: Path, whole: Path) -> None:
    """Its file is written anew, the other seven and the table stay as they are."""
    table = (whole / "rows.csv").read_bytes()
    before = {path.name: path.stat().st_mtime_ns for path in (whole / "cells").iterdir()}
    key = pd.read_csv(whole / "rows.csv")["cell_key"].iloc[3]
    bench(load_suite(suite), whole, only=key, progress=False, say=lambda _: None)
    after = {path.name: path.stat().st_mtime_ns for path in (whole / "cells").iterdir()}
    assert {name for name in after if after[name] != before[name]} == {f"{key}.json"}
    assert (whole / "rows.csv").read_bytes() == table


@pytest.mark.parametrize("key", ["", "0" * 20, "../../etc/passwd"])
def test_an_unknown_cell_is_refused(
    key: str, suite: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was got, what is allowed, where to look; nothing is written."""
    out = tmp_path / "out"
    assert main(["bench", str(suite), "--out", str(out), "--only", key]) == 2
    told = capsys.readouterr().err
    assert f"cell: got {key!r}, allowed a key of one of the 8 cells of two" in told
    assert "cell_key of rows.csv" in told
    assert not out.exists()
