"""Statistics of a benchmark against published examples, their definitions, and a null by seeds."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from stacktruth.runners.bench.ranking.interval import signed_rank_p
from stacktruth.runners.bench.ranking.pairs import holm, pairwise
from stacktruth.runners.bench.ranking.scenes import by_scene


def test_signed_rank_agrees_with_the_depression_scale() -> None:
    """Hamilton scale of nine patients before and after (Hollander & Wolfe 1973, p. 29 and on).

    R's help of wilcox.test works it out: V = 40, one-sided p = 0.01953. From memory.
    """
    before = np.array([1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30])
    after = np.array([0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29])
    apart = before - after
    ranks = stats.rankdata(np.abs(apart))
    assert ranks[apart > 0].sum() == 40
    assert signed_rank_p(apart) == pytest.approx(2 * 0.01953125, rel=1e-9)
    assert stats.wilcoxon(apart, alternative="greater").pvalue == pytest.approx(0.01953125)


@pytest.mark.parametrize("size", [5, 8, 11])
def test_signed_rank_is_the_share_of_signs(size: int) -> None:
    """By definition (Wilcoxon, Biometrics Bulletin 1, 80, 1945): all signs are equally likely.

    The p-value is the share of the 2^n assignments of signs whose smaller rank sum is at most the
    one that was seen.
    """
    apart = np.random.default_rng(size).normal(0.4, 1, size)
    ranks = stats.rankdata(np.abs(apart))
    total = ranks.sum()
    seen = min(ranks[apart > 0].sum(), ranks[apart < 0].sum())
    sums = np.array([ranks[np.array(signs)].sum() for signs in product([False, True], repeat=size)])
    share = np.mean(np.minimum(sums, total - sums) <= seen)
    assert signed_rank_p(apart) == pytest.approx(share, rel=1e-9)


def test_holm_agrees_with_the_thrombolysis_trial() -> None:
    """15 p-values of a trial (Benjamini & Hochberg, J. R. Statist. Soc. B 57, 289, 1995, sec. 3.2).

    There Bonferroni's and Hochberg's procedures each reject the three smallest at 5 %. Holm's
    rejects all that the first does and none that the second does not, so those three; the fourth is
    0.0095 x 12. P-values from memory.
    """
    given = np.array(
        [
            *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459),
            *(0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0),
        ]
    )
    order = np.random.default_rng(1).permutation(given.size)
    adjusted = np.empty_like(given)
    adjusted[order] = holm(given[order])
    assert adjusted[:4] == pytest.approx([0.0015, 0.0056, 0.0247, 0.1140])
    assert (adjusted < 0.05).sum() == 3
    assert (np.diff(adjusted) >= 0).all()
    assert (adjusted <= np.minimum(given * given.size, 1) + 1e-15).all()


def test_holm_is_bonferroni_s_closure() -> None:
    """A hypothesis falls when Bonferroni's test rejects each set that it is in.

    The closure principle (Marcus, Peritz & Gabriel, Biometrika 63, 655, 1976), all 31 sets of five.
    """
    rng = np.random.default_rng(2)
    for _ in range(40):
        given = rng.random(5) ** 3
        sets = [s for size in range(1, 6) for s in combinations(range(5), size)]
        wanted = [
            max(min(1, len(s) * given[list(s)].min()) for s in sets if one in s) for one in range(5)
        ]
        assert holm(given) == pytest.approx(wanted)


def test_false_alarms_of_one_pair_are_as_many_as_there_must_be() -> None:
    """Twelve scenes: an exact test at 5 % has a size that can be counted, 0.0425 by the 4096 signs.

    Of 1000 pairs of equal methods as many are called different, within three standard errors.
    """
    sums = np.array([np.dot(signs, range(1, 13)) for signs in product([0, 1], repeat=12)])
    smaller, counts = np.unique(np.minimum(sums, 78 - sums), return_counts=True)
    p_values = counts.cumsum() / 4096
    size = p_values[p_values < 0.05].max()
    assert smaller[p_values < 0.05].max() == 13  # the tables' critical value for n = 12, two-sided
    rng = np.random.default_rng(3)
    alarms = np.mean([signed_rank_p(rng.normal(0, 1, 12)) < 0.05 for _ in range(1000)])
    assert alarms == pytest.approx(size, abs=3 * np.sqrt(size * (1 - size) / 1000))


@pytest.mark.slow
def test_more_seeds_make_no_false_alarms() -> None:
    """Methods that are equal over scenes, not on each: 100 suites of 12 scenes by 8 seeds.

    Scenes are what a suite is a sample of. Taking each seed for a scene of its own would find
    differences in most of the suites; by scene, Holm's level of 5 % holds, within three
    standard errors.
    """
    rng = np.random.default_rng(4)
    by_scenes = by_seeds = 0
    for _ in range(100):
        values = 30 + rng.normal(0, 1, (12, 1, 4)) + rng.normal(0, 0.3, (12, 8, 4))
        index = pd.MultiIndex.from_product([range(12), range(8), list("ABCD")])
        rows = pd.DataFrame({"db": values.ravel(), "status": "ok"}, index=index).reset_index(
            names=["scene", "seed", "method"]
        )
        by_scenes += any(pair.apart for pair in pairwise(by_scene(rows, "db")))
        wrong = rows.assign(scene=rows["scene"] * 8 + rows["seed"])
        by_seeds += any(pair.apart for pair in pairwise(by_scene(wrong, "db")))
    assert by_scenes <= 100 * 0.05 + 3 * np.sqrt(100 * 0.05 * 0.95)
    assert by_seeds > 50
