"""Mean ranks, their test and their figure, against Demšar's paper and scipy.

Demšar, J. Mach. Learn. Res. 7, 1, 2006: the ranks of table 6, the numbers that section 3.2.2 makes
of them, and the critical values of table 5 (a). All from memory; the columns of the ranks add up to
the mean ranks that the paper prints.
"""

import json

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from stacktruth.runners.bench.ranking.mean_ranks import (
    critical_difference,
    rank_intervals,
    rank_test,
    scene_ranks,
)
from stacktruth.runners.bench.ranking.metric_column import LOST, metric_column
from stacktruth.runners.bench.ranking.standings import Standings, standings
from stacktruth.runners.bench.ranking.standings_text import standings_json
from stacktruth.runners.bench.report.rank_chart import RankChart, rank_chart

#: Ranks of four classifiers on fourteen data sets.
PRINTED = np.array(
    [
        [4, 3, 2, 1], [1, 2, 3, 4], [4, 1, 2, 3], [4, 1, 3, 2], [4, 2, 3, 1], [1, 2.5, 4, 2.5],
        [3, 2, 4, 1], [2.5, 2.5, 4, 1], [4, 3, 2, 1], [2.5, 2.5, 2.5, 2.5], [4, 2.5, 1, 2.5],
        [3, 2, 4, 1], [4, 1, 2, 3], [3, 1, 4, 2],
    ]
)  # fmt: skip


def test_the_worked_example() -> None:
    """Mean ranks 3.143, 2.000, 2.893, 1.964; 9.28 without correction for ties; F 3.69 of it."""
    np.testing.assert_allclose(PRINTED.mean(axis=0), [3.143, 2.0, 2.893, 1.964], atol=5e-4)
    found = rank_test(PRINTED)
    assert found is not None
    # Ties of 2 leave out 2^3 - 2 = 6 each, that of 4 leaves out 60, of N k (k^2 - 1) = 840.
    plain = found.chi_square * (1 - (3 * 6 + 60) / 840)
    assert plain == pytest.approx(9.28, abs=0.005)
    assert 13 * plain / (14 * 3 - plain) == pytest.approx(3.69, abs=0.005)
    assert found.f == pytest.approx(13 * found.chi_square / (14 * 3 - found.chi_square))
    assert found.freedom == (3, 39)
    assert found.critical_difference == pytest.approx(1.25, abs=0.005)


@pytest.mark.parametrize(
    ("methods", "printed"), [(2, 1.960), (3, 2.343), (4, 2.569), (5, 2.728), (6, 2.850)]
)
def test_critical_values_are_those_printed(methods: int, printed: float) -> None:
    """Of table 5 (a), which is printed to a thousandth; 2.343 is cut, not rounded (2.3437)."""
    q = critical_difference(methods=methods, scenes=1) / np.sqrt(methods * (methods + 1) / 6)
    assert q == pytest.approx(printed, abs=1e-3)


def test_the_test_is_that_of_scipy() -> None:
    """Friedman's statistic with ties, and its p, as `scipy.stats.friedmanchisquare` has them."""
    values = np.random.default_rng(3).integers(0, 6, (9, 5)).astype(float)
    table = pd.DataFrame(values, columns=list("ABCDE")).rename_axis("scene")
    ranks = scene_ranks(table, list("ABCDE"), higher_is_better=True)
    found, theirs = rank_test(ranks), scipy.stats.friedmanchisquare(*values.T)
    assert found is not None
    assert (found.chi_square, found.p_chi_square) == pytest.approx(tuple(theirs))
    np.testing.assert_array_equal(ranks, scipy.stats.rankdata(-values, axis=1))


def test_ends_of_the_test() -> None:
    """Scenes that all agree leave no doubt; those on which all are tied say nothing."""
    agreed, tied = rank_test(np.array([[1.0, 2, 3]] * 6)), rank_test(np.full((6, 3), 2.0))
    assert agreed is not None
    assert (agreed.chi_square, agreed.f, agreed.p_f) == (12, np.inf, 0)
    assert tied is not None
    assert (tied.chi_square, tied.p_f) == (0, 1)
    assert rank_test(np.array([[1.0, 2, 3]] * 5)) is None
    assert rank_test(np.ones((9, 1))) is None


def test_intervals_are_those_of_the_normal_law_on_many_scenes() -> None:
    """For 400 scenes the interval is the mean with 1.96 standard errors, but for the draws' own."""
    ranks = scipy.stats.rankdata(
        np.random.default_rng(4).random((400, 4)) + np.arange(4) / 9, axis=1
    )
    low, high = rank_intervals(ranks)
    error = ranks.std(axis=0, ddof=1) / 20
    # An end of 2000 draws is itself uncertain by about a tenth of a standard error, twice that.
    np.testing.assert_allclose((low - ranks.mean(axis=0)) / error, -1.96, atol=0.2)
    np.testing.assert_allclose((high - ranks.mean(axis=0)) / error, 1.96, atol=0.2)
    assert np.isnan(rank_intervals(ranks[:5])).all()


@pytest.mark.slow
def test_intervals_hold_the_true_mean_rank() -> None:
    """Of 10 scenes in about 93 of 100 suites, as is said; three standard errors allowed."""
    rng = np.random.default_rng(5)
    apart = np.array([0, 0.3, 0.6, 1.0, 2.0])
    true = scipy.stats.rankdata(apart + rng.standard_normal((100_000, 5)), axis=1).mean(axis=0)
    held = []
    for _ in range(300):
        ranks = scipy.stats.rankdata(apart + rng.standard_normal((10, 5)), axis=1)
        low, high = rank_intervals(ranks, draws=500, rng=rng)
        held.append((low <= true) & (true <= high))
    assert np.mean(held) == pytest.approx(0.93, abs=3 * np.sqrt(0.93 * 0.07 / 300))


def found_on(scenes: int) -> Standings:
    """Return how three methods stand: two that take turns, and one that is always last."""
    lost = {"focus-map": 1.0, "wavelet": 1.0, "guided-filter": 5.0}
    rows = pd.DataFrame(
        {
            "scene": f"scene {at}", "method": name, "status": "ok",
            LOST: value + 0.01 * at + 0.5 * (name == "wavelet") * (-1) ** at,
        }
        for at in range(scenes)
        for name, value in lost.items()
    )  # fmt: skip
    return standings(rows, metric_column(LOST, rows.columns))


def test_the_figure_lies_where_its_numbers_say() -> None:
    """Two ranks of 1.5 in a quarter of the axis, under one bar; 3.00 at its end, under none."""
    chart = rank_chart(found_on(8))
    assert isinstance(chart, RankChart)
    assert [(row.at, row.letters) for row in chart.rows] == [(25, "a"), (25, "a"), (100, "b")]
    assert chart.rows[2].value == "3.00 (3.00 to 3.00)"
    (bar,) = chart.bars
    assert (bar.letter, set(bar.names), bar.span) == ("a", {"focus-map", "wavelet"}, (25, 0))
    assert dict(chart.ticks) == {0: "1", 50: "2", 100: "3"}
    # 2.3437 sqrt(3 * 4 / (6 * 8)) = 1.172 of two ranks from end to end.
    assert (chart.critical_words, chart.critical) == ("1.17", (0, pytest.approx(58.6, abs=0.05)))
    assert "Friedman" in chart.words
    assert "Demšar" in chart.words


def test_too_few_scenes_are_not_drawn_and_told_why() -> None:
    """Five say nothing; of one method there is nothing to say."""
    words = rank_chart(found_on(5))
    assert isinstance(words, str)
    assert "fewer than 6 scenes" in words
    rows = pd.DataFrame({"scene": list("abcdefg"), "method": "wavelet", "status": "ok", LOST: 1.0})
    assert rank_chart(standings(rows, metric_column(LOST, rows.columns))) is None


def test_standings_are_json_that_any_reader_takes() -> None:
    """The table's rows, groups and test; what does not exist is null, not NaN."""
    told = json.loads(standings_json(found_on(8)), parse_constant=pytest.fail)
    assert [row["rank_mean"] for row in told["methods"]] == [1.5, 1.5, 3.0]
    assert {tuple(sorted(names)) for names in told["not_told_apart"].values()} == {
        ("focus-map", "wavelet")
    }
    assert told["rank_test"]["scenes"] == 8
    few = json.loads(standings_json(found_on(5)), parse_constant=pytest.fail)
    assert few["rank_test"] is None
    assert few["methods"][0]["rank_low"] is None
