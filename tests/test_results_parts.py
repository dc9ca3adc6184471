"""Some scenes of a suite run again: what changes in its tables, and what does not."""

import importlib
from pathlib import Path

import pytest

from stacktruth.runners.bench import load_suite

RESULTS = Path(__file__).resolve().parents[1] / "results"
HELD = "condition,scene,method,psnr\nplain,ramp,mean,0.30000000000000004\nplain,coin-1,mean,20.5\n"
HELD += "plain,coin-1,oracle,\nnoise,ramp,mean,1e-05\nnoise,coin-1,mean,7.25\n"


@pytest.fixture(scope="module")
def parts():
    """Return the module that makes studies in parts."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(RESULTS)
        yield importlib.import_module("parts")


def test_rows_of_a_scene_take_the_places_of_the_old_ones(parts, tmp_path):
    """Lines of other scenes stay to the byte, a column that the part has not stays empty."""
    table, made = tmp_path / "rows.csv", tmp_path / "made.csv"
    table.write_text(HELD)
    made.write_text(
        "condition,scene,method,psnr\nplain,coin-1,mean,21\nplain,coin-1,oracle,99\n"
        "noise,coin-1,mean,8\n"
    )
    parts.put_in(table, made)
    new = HELD.replace("20.5", "21").replace("oracle,", "oracle,99").replace("7.25", "8")
    assert table.read_text() == new


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("condition,scene,method,psnr\nplain,coin-1,mean,21\n", "other rows of coin-1 than"),
        ("condition,scene,method,ssim\nplain,coin-1,mean,21\n", "column ssim: not in"),
    ],
)
def test_what_does_not_fit_is_refused_and_nothing_changes(parts, tmp_path, text, said):
    """A row less, another column."""
    table, made = tmp_path / "rows.csv", tmp_path / "made.csv"
    table.write_text(HELD)
    made.write_text(text)
    with pytest.raises(ValueError, match=said):
        parts.put_in(table, made)
    assert table.read_text() == HELD


def test_published_table_is_the_same_when_its_own_rows_are_put_in(parts, tmp_path):
    """What the project publishes, written again, is the same bytes."""
    held = RESULTS / "standard/times.csv"
    copy, made = tmp_path / "times.csv", tmp_path / "made.csv"
    copy.write_bytes(held.read_bytes())
    lines = held.read_text().splitlines(keepends=True)
    made.write_text(lines[0] + "".join(line for line in lines if ",coin-1," in line))
    parts.put_in(copy, made)
    assert copy.read_bytes() == held.read_bytes()


def test_suite_of_some_scenes_keeps_their_windows_and_ladders(parts):
    """A ladder of two scenes keeps one; those of other scenes go."""
    suite = load_suite("standard")
    some = parts.some_scenes(suite, ["earlier/coin:1", "circuit-board"])
    assert some.scenes == ("circuit-board", "earlier/coin:1")
    assert {place.scene for place in some.places} == set(some.scenes)
    assert [one.factor for one in some.ladders] == ["step", "shake", "subject-sway"]
    assert {one.scenes for one in some.ladders} == {("circuit-board",)}
    with pytest.raises(ValueError, match="got teapot, allowed those of standard: ramp"):
        parts.some_scenes(suite, ["teapot"])
