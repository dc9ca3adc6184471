"""Statistics of a benchmark against worked examples, scipy and a simulated null."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from stacktruth.runners.bench.report.statistics import (
    bootstrap,
    by_scene,
    holm,
    least_difference,
    pairwise,
    rank_biserial,
    signed_rank_p,
    without_failures,
)


def test_signed_rank_agrees_with_darwins_maize() -> None:
    """Heights of 15 pairs, eighths of an inch (Darwin 1876; Fisher, Design of Experiments, 1935).

    The worked example of scipy's own documentation: W = 24, p = 0.041.
    """
    apart = np.array([6, 8, 14, 16, 23, 24, 28, 29, 41, -48, 49, 56, 60, -67, 75], float)
    assert signed_rank_p(apart) == pytest.approx(0.041259765625, rel=1e-9)
    # Rank sums 96 and 24 of 120.
    assert rank_biserial(apart) == pytest.approx((96 - 24) / 120)


def test_holm_adjusts_step_by_step() -> None:
    """Four p-values by hand: 0.005 x 4, 0.01 x 3, 0.03 x 2, and 0.04 raised to the one before.

    The example of the article on the Holm-Bonferroni method in an encyclopedia, from memory.
    """
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([0.6, 0.7]) == pytest.approx([1, 1])


def test_false_alarms_stay_within_the_level() -> None:
    """Of 400 suites of 12 scenes with five equal methods, few show any difference (Holm, 5 %)."""
    rng = np.random.default_rng(4)
    alarms = 0
    for _ in range(400):
        table = pd.DataFrame(rng.normal(30, 2, (12, 1)) + rng.normal(0, 1, (12, 5)))
        alarms += bool((pairwise(table)["p_holm"] < 0.05).any())
    # Not more than 5 %, with three standard errors of the count on top.
    assert alarms <= 400 * 0.05 + 3 * np.sqrt(400 * 0.05 * 0.95)


def test_a_real_difference_is_found_and_its_size_foretold() -> None:
    """The least difference is found in about 8 of 10 suites of its own size."""
    rng = np.random.default_rng(5)
    wanted = least_difference(rng.normal(0, 1, 20_000)) * np.sqrt(20_000 / 20)
    found = [signed_rank_p(rng.normal(wanted, 1, 20)) < 0.05 for _ in range(600)]
    assert np.mean(found) == pytest.approx(0.8, abs=0.06)


def test_bootstrap_interval_holds_the_mean_as_often_as_it_says() -> None:
    """Of 400 samples of 14 scenes about 95 % of the intervals hold the true mean.

    The percentile interval of 14 values is a little short: 91 to 96 %.
    """
    rng = np.random.default_rng(6)
    found = [bootstrap(rng.normal(30, 3, 14), rng=rng) for _ in range(400)]
    held = np.mean([got.low <= 30 <= got.high for got in found])
    assert 0.90 <= held <= 0.97
    # scipy's own bootstrap of the same values.
    values = rng.normal(30, 3, 14)
    theirs = stats.bootstrap((values,), np.mean, method="percentile", rng=1, n_resamples=20_000)
    ours = bootstrap(values, rng=1)
    assert (ours.low, ours.high) == pytest.approx(tuple(theirs.confidence_interval), abs=0.15)


def test_one_scene_has_no_interval() -> None:
    """And none has no mean."""
    assert np.isnan(bootstrap([31.0], rng=0).low)
    assert np.isnan(bootstrap([], rng=0).mean)


def rows_of(*cells: tuple[str, str, str, float]) -> pd.DataFrame:
    """Make a table of scene, method, status and dB."""
    return pd.DataFrame(cells, columns=["scene", "method", "status", "db"])


def test_a_failure_counts_as_the_worst_on_its_scene() -> None:
    """And is left out of the line without failures; seeds are averaged within a scene."""
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
    assert without_failures(rows, "db").to_dict() == {"good": 39.5, "frail": 37.0, "poor": 21.0}
    lower = by_scene(rows, "db", higher_is_better=False)
    assert lower.loc["moss", "frail"] == 42.0


def test_the_least_difference_of_two_pairs_by_hand() -> None:
    """Differences -1 and 1 spread by sqrt(2); a few pairs do not forgive the other divisor.

    1.9600 and 0.8416 are the normal distribution's 97.5 and 80 % points, as tables print them.
    """
    found = least_difference(np.array([-1.0, 1.0]))
    assert found == pytest.approx((1.9600 + 0.8416) * np.sqrt(2) / np.sqrt(2 * 3 / np.pi), rel=1e-4)
