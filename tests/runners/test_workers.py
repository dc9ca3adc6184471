"""Shared work of the runners: one option, and the same rows by any number of processes."""

import pandas as pd
import pytest

from stacktruth.runners.calibrate.loop import close_loop, known_bursts
from stacktruth.runners.cli import build_parser, main
from stacktruth.runners.judge.limits_check import check_limits, small_stacks
from stacktruth.simulator.processes import usable_cores

LINES = {
    "render": ["ramp", "--out", "new"],
    "demo": [],
    "gallery": ["--out", "new.png"],
    "reproduce": ["fusion-blocks", "--out", "new"],
}


@pytest.mark.parametrize("command", LINES)
def test_all_cores_are_used_unless_told_otherwise(command):
    """The default is `auto`: the cores that this process may use."""
    parse = build_parser([command]).parse_args
    words = [command, *LINES[command]]
    assert parse(words).workers == usable_cores()
    assert parse([*words, "--workers", "auto"]).workers == usable_cores()
    assert parse([*words, "--workers", "3"]).workers == 3


def test_a_benchmark_uses_one_unless_told_otherwise():
    """Times of methods that run side by side cannot be compared."""
    parse = build_parser(["bench"]).parse_args
    assert parse(["bench", "quick", "--out", "new"]).workers is None
    assert parse(["bench", "quick", "--out", "new", "--workers", "auto"]).workers == usable_cores()


@pytest.mark.parametrize("word", ["0", "-1", "two", "1.5", ""])
def test_a_wrong_number_is_refused(word, capsys, tmp_path, monkeypatch):
    """Two lines say what was got and what is allowed; nothing is written."""
    monkeypatch.chdir(tmp_path)
    assert main(["render", *LINES["render"], f"--workers={word}"]) == 2
    said = capsys.readouterr().err
    assert f"got {word!r}, allowed auto or a whole number of 1 or more" in said
    assert len(said.splitlines()) == 2
    assert not list(tmp_path.iterdir())


@pytest.mark.slow
def test_bursts_by_two_processes_give_the_same_rows():
    """Of both kinds, with two seeds each, not rendered."""
    one, two = (
        close_loop(known_bursts(), seeds=range(2), rendered=False, workers=workers)
        for workers in (1, 2)
    )
    pd.testing.assert_frame_equal(two, one, check_exact=True)
    assert one["seed"].nunique() == 2


@pytest.mark.slow
def test_limits_by_two_processes_give_the_same_rows():
    """Two small stacks, one method."""
    stacks = list(small_stacks(2))
    one, two = (check_limits(stacks, ("mean",), workers=workers) for workers in (1, 2))
    pd.testing.assert_frame_equal(two, one, check_exact=True)
    assert set(one["status"]) == {"ok"}
