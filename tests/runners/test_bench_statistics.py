"""Statistics of a benchmark against worked examples, scipy, and suites drawn anew."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from stacktruth.runners.bench.ranking.interval import LEAST_SCENES, signed_rank_p, typical
from stacktruth.runners.bench.ranking.pairs import (
    Pair,
    contenders,
    holm,
    pairwise,
    rank_biserial,
    ranks,
)
from stacktruth.runners.bench.ranking.power import least_difference
from stacktruth.runners.bench.ranking.scenes import advantages, by_scene, by_stack
from stacktruth.runners.bench.ranking.simulation import (
    SHAPES,
    coverage,
    found_share,
    mean_power,
    published,
)

#: Darwin's maize, eighths of an inch (1876; Fisher, Design of Experiments, 1935).
MAIZE = np.array([6, 8, 14, 16, 23, 24, 28, 29, 41, -48, 49, 56, 60, -67, 75], float)
PUBLISHED = Path(__file__).resolve().parents[2] / "results" / "standard" / "rows.csv"


def test_signed_rank_agrees_with_darwins_maize() -> None:
    """The worked example of scipy's own documentation: W = 24, p = 0.041."""
    assert signed_rank_p(MAIZE) == pytest.approx(0.041259765625, rel=1e-9)
    # Rank sums 96 and 24 of 120.
    assert rank_biserial(MAIZE) == pytest.approx((96 - 24) / 120)


@pytest.mark.parametrize("size", [6, 11, 25, 49])
def test_signed_rank_agrees_with_scipy(size: int) -> None:
    """The exact distribution of another implementation."""
    apart = np.random.default_rng(size).normal(0.3, 1, size)
    theirs = stats.wilcoxon(apart, method="exact").pvalue
    assert signed_rank_p(apart) == pytest.approx(theirs, rel=1e-9)


def test_typical_difference_agrees_with_the_depression_scale() -> None:
    """Hamilton scale of nine patients (Hollander & Wolfe 1973, ch. 3.2 and 3.3; from memory).

    Estimate -0.46; the interval at 96.1 % goes from -0.786 to -0.010: the sixth of the 45 means of
    pairs from each end.
    """
    before = np.array([1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30])
    after = np.array([0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29])
    found = typical(after - before)
    assert found.typical == pytest.approx(-0.46)
    assert (found.low, found.high) == pytest.approx((-0.786, -0.010))


def test_interval_and_test_say_the_same() -> None:
    """0 lies outside the interval just where p < 0.05, with ties and differences of nothing too."""
    rng = np.random.default_rng(1)
    outside = 0
    for _ in range(500):
        apart = np.round(rng.normal(0.5, 1, int(rng.integers(6, 20))), int(rng.integers(0, 3)))
        found = typical(apart)
        outside += (out := found.low > 0 or found.high < 0)
        assert out == (signed_rank_p(apart) <= 0.05)
    assert 100 < outside < 400


def test_fewer_than_six_scenes_say_nothing() -> None:
    """Of five scenes even the rarest outcome has p = 2/32; of six 2/64."""
    for scenes in range(LEAST_SCENES):
        values = np.arange(scenes) + 10.0
        assert not typical(values).known
        assert signed_rank_p(values) >= 0.0625
        assert np.isnan(least_difference(values))
    assert typical(np.arange(6) + 10.0).known
    assert np.isnan(typical([]).typical)


def test_holm_adjusts_step_by_step() -> None:
    """Four p-values by hand: 0.005 x 4, 0.01 x 3, 0.03 x 2, and 0.04 raised to the one before.

    The example of the article on the Holm-Bonferroni method in an encyclopedia, from memory.
    """
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([0.6, 0.7]) == pytest.approx([1, 1])


def scenes_by(values: np.ndarray) -> pd.DataFrame:
    """Make a table of scenes and methods A, B, C ..."""
    names = list("ABCDEFGH"[: values.shape[1]])
    return pd.DataFrame(values, columns=names).rename_axis("scene")


def test_false_alarms_stay_within_the_level() -> None:
    """Of 100 suites of 12 scenes with five equal methods, few show any difference (Holm, 5 %)."""
    rng = np.random.default_rng(4)
    alarms = 0
    for _ in range(100):
        equal = rng.normal(30, 2, (12, 1)) + rng.normal(0, 1, (12, 5))
        p_values = [
            signed_rank_p(equal[:, i] - equal[:, j]) for i in range(5) for j in range(i + 1, 5)
        ]
        alarms += bool((holm(p_values) < 0.05).any())
    # Not more than 5 %, with three standard errors of the count on top.
    assert alarms <= 100 * 0.05 + 3 * np.sqrt(100 * 0.05 * 0.95)


@pytest.mark.parametrize("scenes", [10, 14])
@pytest.mark.parametrize("shape", ["normal", "log-normal", "one scene in five is another kind"])
def test_intervals_cover_what_they_say(shape: str, scenes: int) -> None:
    """Of 2000 suites 93 to 97 % hold the typical difference, for skewed differences, too."""
    assert 0.93 <= coverage(SHAPES[shape], scenes=scenes, suites=2000, rng=scenes) <= 0.97


@pytest.mark.slow
@pytest.mark.parametrize("scenes", [6, 10, 14, 50])
def test_intervals_cover_what_they_say_of_published_differences(scenes: int) -> None:
    """And of every other shape: 93 to 97 %, of six scenes, whose exact level is 96.9 %, to 98."""
    rows = pd.read_csv(PUBLISHED, low_memory=False)
    shapes = {**SHAPES, **published(rows[rows["condition"] == "plain"])}
    assert len(shapes) >= len(SHAPES) + 3
    held = {
        name: coverage(sampler, scenes=scenes, suites=2500, rng=scenes)
        for name, sampler in shapes.items()
    }
    high = 0.98 if scenes == 6 else 0.97
    assert {name: share for name, share in held.items() if not 0.93 <= share <= high} == {}


def test_stated_power_is_simulated_power() -> None:
    """Where all scenes are known, a difference that 8 of 10 suites are said to find is found so.

    20 000 scenes stand for all; the standard error of the shares is 0.02.
    """
    for shape in ("normal", "log-normal"):
        known = SHAPES[shape](np.random.default_rng(5), 20_000 // 20)
        said = least_difference(known, scenes=14, rng=6)
        found = found_share(SHAPES[shape], said, scenes=14, suites=600, rng=7)
        assert found == pytest.approx(0.8, abs=0.07)


@pytest.mark.slow
@pytest.mark.parametrize("scenes", [10, 14, 50])
def test_power_is_about_what_a_suite_says_of_itself(scenes: int) -> None:
    """From its own few scenes: on average 0.65 to 0.95 for a stated 0.8, whatever the shape."""
    found = {
        name: mean_power(sampler, scenes=scenes, suites=40, rng=scenes)
        for name, sampler in SHAPES.items()
    }
    assert {name: share for name, share in found.items() if not 0.65 <= share <= 0.95} == {}
    assert np.mean(list(found.values())) == pytest.approx(0.8, abs=0.05)


def test_the_direction_of_a_difference_does_not_matter() -> None:
    """A pair seen from the other method could have seen as much."""
    apart = np.random.default_rng(8).gamma(1.5, 1, 14)
    assert least_difference(apart) == pytest.approx(least_difference(-apart))


def rows_of(*cells: tuple[str, str, str, float]) -> pd.DataFrame:
    """Make a table of scene, method, status and dB."""
    return pd.DataFrame(cells, columns=["scene", "method", "status", "db"])


def test_a_failure_counts_as_the_worst_on_its_scene() -> None:
    """And seeds are averaged within a scene."""
    rows = rows_of(
        ("moss", "good", "ok", 40.0),
        ("moss", "good", "ok", 42.0),
        ("moss", "frail", "failed", np.nan),
        ("moss", "poor", "ok", 20.0),
        ("coin", "good", "ok", 38.0),
        ("coin", "frail", "ok", 37.0),
        ("coin", "poor", "ok", 22.0),
    )
    table = by_scene(rows, "db")
    assert table.loc["moss"].to_dict() == {"good": 41.0, "frail": 20.0, "poor": 20.0}
    assert list(table.columns) == ["good", "frail", "poor"]
    lower = by_scene(rows, "db", higher_is_better=False)
    assert lower.loc["moss", "frail"] == 42.0


def test_a_skipped_cell_is_no_failure() -> None:
    """It leaves its scene out of that method's comparisons, and costs nothing."""
    rows = rows_of(
        ("moss", "good", "ok", 40.0),
        ("moss", "choosy", "skipped", np.nan),
        ("moss", "poor", "ok", 20.0),
        ("coin", "good", "ok", 38.0),
        ("coin", "choosy", "ok", 39.0),
        ("coin", "poor", "ok", 22.0),
    )
    table = by_scene(rows, "db")
    assert np.isnan(table.loc["moss", "choosy"])
    assert advantages(by_stack(rows, "db"), "choosy", "good", higher=True).to_dict() == {
        "coin": 1.0
    }


def test_differences_are_taken_on_one_stack() -> None:
    """A method that skips the hard stance is compared on the other alone, by hand: 1 dB behind."""
    rows = pd.DataFrame(
        {
            "scene": "moss",
            "stance": ["stepped", "braced", "stepped", "braced"],
            "method": ["a", "a", "b", "b"],
            "status": ["ok", "skipped", "ok", "ok"],
            "db": [40.0, np.nan, 41.0, 31.0],
        }
    )
    assert advantages(by_stack(rows, "db"), "a", "b", higher=True).to_dict() == {"moss": -1.0}


def test_floors_and_what_has_the_truth_are_not_ranked() -> None:
    """A method of one's own that bears the name of a floor is."""
    rows = pd.DataFrame(
        {
            "method": ["oracle", "focus-map", "focus-map+true-warp", "mean", "mine", "mean "],
            "kind": ["built-in"] * 4 + ["python"] * 2,
        }
    )
    assert contenders(rows) == ["focus-map", "mine", "mean "]
    assert contenders(rows.assign(kind="python")) == list(rows["method"])


def test_equal_methods_are_level_only_within_the_margin() -> None:
    """Ten scenes apart by 0.1 dB and less: level within 0.5 dB, not within 0.05."""
    apart = np.array([0.1, -0.1, 0.05, -0.05, 0.08, -0.08, 0.02, -0.02, 0.09, -0.09])
    table = scenes_by(np.stack([30 + apart, np.full(10, 30.0)], axis=1))
    (wide,) = pairwise(table, margin=0.5, unit="dB")
    assert wide.verdict == "level within 0.5 dB"
    (narrow,) = pairwise(table, margin=0.02, unit="dB")
    assert narrow.verdict == "not told apart"
    (few,) = pairwise(table.iloc[:5], margin=0.5)
    assert few.verdict == "too few scenes to say"


def pair_of(first: str, second: str, *, apart: bool) -> Pair:
    """Make a pair whose first method is better."""
    found = typical([1.0, 1.1, 1.2, 1.3, 1.4, 1.5])
    return Pair(
        first=first, second=second, advantage=found, within=found, effect=1.0, p=0.03,
        p_holm=0.03 if apart else 0.3, least_difference=1.0, margin=None,
    )  # fmt: skip


def test_ranks_and_groups_follow_from_the_pairs() -> None:
    """A over C and D, B over D: by hand A 1-2, B 1-3, C 2-4, D 3-4; groups AB, BC, CD."""
    table = scenes_by(np.array([[4.0, 3.0, 2.0, 1.0]] * 6))
    surely = {("A", "C"), ("A", "D"), ("B", "D")}
    pairs = [
        pair_of(first, second, apart=(first, second) in surely)
        for first, second in [(a, b) for a in "ABCD" for b in "ABCD" if a < b]
    ]
    found = {one.method: one for one in ranks(table, list("ABCD"), pairs, higher_is_better=True)}
    assert [(one.best, one.worst) for one in found.values()] == [(1, 2), (1, 3), (2, 4), (3, 4)]
    assert [one.groups for one in found.values()] == ["a", "ab", "bc", "c"]
    assert [one.mean for one in found.values()] == [1, 2, 3, 4]


@pytest.mark.slow
def test_rank_intervals_hold_all_true_ranks() -> None:
    """Five methods half a spread apart, 60 suites of 20 scenes: all true ranks within, 95 %."""
    rng = np.random.default_rng(9)
    true = np.arange(5) * 0.5
    held = 0
    for _ in range(60):
        table = scenes_by(rng.normal(0, 2, (20, 1)) + true + rng.normal(0, 0.7, (20, 5)))
        found = ranks(table, list("ABCDE"), pairwise(table), higher_is_better=True)
        held += all(one.best <= "EDCBA".index(one.method) + 1 <= one.worst for one in found)
    assert held >= 0.95 * 60 - 3 * np.sqrt(60 * 0.05 * 0.95)
