"""How certain a comparison of methods is. Scenes are the blocks; seeds are nested in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
import scipy  # loads scipy.stats, which is slow, when it is asked for

from ....ground.types import Doubles

RESAMPLES = 2000
LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A mean over scenes with its bootstrap interval.

    Parameters
    ----------
    mean, low, high : float
    scenes : int
        Blocks it rests on; with one there is no interval (low and high are NaN).
    """

    mean: float
    low: float
    high: float
    scenes: int


def by_scene(rows: pd.DataFrame, column: str, *, higher_is_better: bool = True) -> pd.DataFrame:
    """Return the mean over seeds and handlings for each scene and method; failures are worst.

    A cell that failed counts as badly as the worst result that any method had on that scene.

    Parameters
    ----------
    rows : DataFrame
        With columns scene, method, status and `column`.
    column : str
    higher_is_better : bool

    Returns
    -------
    DataFrame, scenes x methods
    """
    values = rows[column].where(rows["status"] == "ok")
    of_scene = values.groupby(rows["scene"])
    worst = of_scene.transform("min") if higher_is_better else of_scene.transform("max")
    filled = values.fillna(worst)
    table = filled.groupby([rows["scene"], rows["method"]], sort=False).mean().unstack()
    return table[list(dict.fromkeys(rows["method"]))]


def without_failures(rows: pd.DataFrame, column: str) -> pd.Series:
    """Return each method's mean over scenes where it did not fail."""
    done = rows[rows["status"] == "ok"]
    table = done.groupby(["scene", "method"], sort=False)[column].mean().unstack()
    return table.mean().reindex(list(dict.fromkeys(rows["method"])))


def bootstrap(values: Sequence[float] | Doubles, *, rng: np.random.Generator | int) -> Interval:
    """Return a mean over scenes with its percentile interval (Efron & Tibshirani 1993, ch. 13).

    Parameters
    ----------
    values : sequence of float
        One for each scene; NaN is left out.
    rng : Generator or int
    """
    known = np.asarray(values, float)
    known = known[np.isfinite(known)]
    if known.size == 0:
        return Interval(mean=np.nan, low=np.nan, high=np.nan, scenes=0)
    mean = float(known.mean())
    if known.size == 1:
        return Interval(mean=mean, low=np.nan, high=np.nan, scenes=1)
    chosen = np.random.default_rng(rng).integers(known.size, size=(RESAMPLES, known.size))
    tail = (1 - LEVEL) / 2
    low, high = np.quantile(known[chosen].mean(axis=1), [tail, 1 - tail])
    return Interval(mean=mean, low=float(low), high=float(high), scenes=known.size)


def holm(p_values: Sequence[float] | Doubles) -> Doubles:
    """Return p-values adjusted for their number (Holm, Scand. J. Statist. 6, 65, 1979).

    Parameters
    ----------
    p_values : sequence of float
        0 to 1.

    Returns
    -------
    array, in the order given
    """
    given = np.asarray(p_values, float)
    order = np.argsort(given)
    steps = given[order] * (given.size - np.arange(given.size))
    adjusted = np.empty_like(given)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1)
    return adjusted


def pairwise(table: pd.DataFrame) -> pd.DataFrame:
    """Compare all pairs of methods over scenes.

    The test is Wilcoxon's signed-rank test (Biometrics Bulletin 1, 80, 1945), exact for few
    scenes, with p adjusted by Holm's rule. The effect is the matched-pairs rank-biserial
    correlation (Kerby, Comprehensive Psychology 3, 11.IT.3.1, 2014): the share of rank sums in
    favour of the first less that of the second.

    Parameters
    ----------
    table : DataFrame, scenes x methods

    Returns
    -------
    DataFrame
        first, second, mean_difference, effect (-1..1), p, p_holm, scenes, least_difference (the
        smallest mean difference that a test at 5 % finds in 8 of 10 suites like this one).
    """
    rows: list[dict[str, Any]] = []
    for first, second in combinations(table.columns, 2):
        apart = (table[first] - table[second]).dropna().to_numpy()
        rows.append(
            {
                "first": first,
                "second": second,
                "mean_difference": float(apart.mean()) if apart.size else np.nan,
                "effect": rank_biserial(apart),
                "p": signed_rank_p(apart),
                "scenes": apart.size,
                "least_difference": least_difference(apart),
            }
        )
    found = pd.DataFrame(rows)
    if not found.empty:
        found.insert(5, "p_holm", holm(found["p"].to_numpy()))
    return found


def signed_rank_p(apart: Doubles) -> float:
    """Return the two-sided p of Wilcoxon's signed-rank test; 1 where nothing differs."""
    if apart.size == 0 or not np.any(apart):
        return 1.0
    return float(scipy.stats.wilcoxon(apart).pvalue)


def rank_biserial(apart: Doubles) -> float:
    """Return the matched-pairs rank-biserial correlation of differences, -1..1."""
    apart = apart[apart != 0]
    if apart.size == 0:
        return 0.0
    ranks = scipy.stats.rankdata(np.abs(apart))
    return float((ranks[apart > 0].sum() - ranks[apart < 0].sum()) / ranks.sum())


def least_difference(apart: Doubles, *, power: float = 0.8, level: float = 0.05) -> float:
    """Return the mean difference that a paired test of that size and power could have found.

    By the normal approximation for a paired t test; the signed-rank test needs 3/pi as many
    pairs for the same on normal differences (asymptotic relative efficiency, Lehmann,
    Nonparametrics, 1975; from memory).
    """
    if apart.size < 2:
        return float("nan")
    spread = float(apart.std(ddof=1))
    wanted = scipy.stats.norm.ppf(1 - level / 2) + scipy.stats.norm.ppf(power)
    return float(wanted * spread / np.sqrt(apart.size * 3 / np.pi))
