"""Every column and key that the code writes has a record with a sentence, and none is idle."""

import json

import pandas as pd
import pytest

from stacktruth.ground.columns import column_of
from stacktruth.runners.bench.running.columns import bench_columns
from stacktruth.runners.judge.columns import RUN_COLUMNS, score_columns
from stacktruth.runners.judge.scoring import score_stack, table
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.handling.sway import Subject, Twitch
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.shooting.truth import REGIONS
from stacktruth.simulator.stack.columns import (
    FRAME_KEYS,
    INFO_KEYS,
    MANIFEST_KEYS,
    RECORD_COLUMNS,
    TRUTH_KEYS,
)
from stacktruth.simulator.stack.stackio import read_stack, write_stack


@pytest.fixture(scope="module")
def stack(tmp_path_factory):
    """Write a small stack of a subject of which a part twitches."""
    subject = Subject(name="s", twitches=(Twitch(part="ramp", at_s=0.1, move_mm=(0.1, 0, 0)),))
    plan = shoot(load_scene("ramp"), load_rig("test-rig"), subject=subject, frames=3, crop=(64, 48))
    return read_stack(write_stack(plan, tmp_path_factory.mktemp("st") / "st", progress=False))


def undescribed(names, records):
    """Return the names without a record, and the records without a name."""
    lost = {name for name in names if not any(one.covers(name) for one in records)}
    idle = {one.name for one in records if not any(one.covers(name) for name in names)}
    return lost, idle


def leaves(data, before=""):
    """Yield the dotted names of all that a JSON file's tables hold."""
    for key, value in data.items():
        name = f"{before}{key}"
        if isinstance(value, dict) and key not in ("plan", "versions"):
            yield from leaves(value, f"{name}.")
        else:
            yield name


def keys_of(stack, name):
    """Return the dotted names of a JSON file of a stack."""
    return list(leaves(json.loads((stack.path / name).read_text())))


def test_the_stacks_files_hold_what_is_described(stack):
    """All keys of its three JSON files and all columns of its table, and no others."""
    info = keys_of(stack, "frames.json")
    assert undescribed(info, INFO_KEYS) == (set(), set())
    assert undescribed(list(stack.info["frames"][0]), FRAME_KEYS) == (set(), set())
    assert undescribed(keys_of(stack, "truth/truth.json"), TRUTH_KEYS) == (set(), set())
    assert undescribed(keys_of(stack, "stack.json"), MANIFEST_KEYS) == (set(), set())
    assert undescribed(list(stack.records), RECORD_COLUMNS) == (set(), set())


def test_the_records_table_is_described_in_its_order(stack):
    """The page reads as the file does."""
    described = [column_of(name, RECORD_COLUMNS).name for name in stack.records]
    assert described == [column.name for column in RECORD_COLUMNS]


def test_rows_of_scores_hold_what_is_described(stack):
    """A method with a depth and one that fails: together they have all columns but no more."""
    rows = table(score_stack(stack, ["focus-map", "no-such-program {frames} {output}"]))
    assert undescribed(list(rows), list(score_columns())) == (set(), set())
    failed = table(score_stack(stack, ["no-such-program {frames} {output}"]))
    assert [column_of(name, RUN_COLUMNS).name for name in failed] == [c.name for c in RUN_COLUMNS]


def test_a_benchmarks_tables_hold_what_is_described(small_bench):
    """Both tables, of built-in and other methods, of which one fails."""
    names = [
        name
        for file in ("rows.csv", "times.csv")
        for name in pd.read_csv(small_bench.folder / file)
    ]
    assert undescribed(names, list(bench_columns())) == (set(), set())


def test_a_region_of_a_column_is_one_of_the_truths():
    """The endings that columns may have are the names of regions."""
    psnr = column_of("total.psnr_db", list(score_columns()))
    assert all(psnr.covers(f"total.psnr_db.{name}") for name in REGIONS)


@pytest.mark.parametrize("columns", [RECORD_COLUMNS, INFO_KEYS, TRUTH_KEYS, list(bench_columns())])
def test_each_record_is_whole(columns):
    """A name once, a range, and one sentence."""
    names = [column.name for column in columns]
    assert len(set(names)) == len(names)
    for column in columns:
        assert column.range, column.name
        assert column.meaning.endswith("."), column.name
        assert column.meaning[0].isupper(), column.name
