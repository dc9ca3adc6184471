"""Mean ranks of methods on one axis, with bars over those that are not told apart.

The critical-difference diagram of Demšar (J. Mach. Learn. Res. 7, 1, 2006), with a line for each
method, so that names can be read on a phone. The bars are of tests of pairs, as Benavoli, Corani &
Mangili argue (J. Mach. Learn. Res. 17 (5), 2016), and so are the same as the letters of the tables.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from ..ranking.interval import LEAST_SCENES, LEVEL
from ..ranking.mean_ranks import RankTest
from ..ranking.standings import Standings
from ..ranking.words import p_text


@dataclass(frozen=True, slots=True, kw_only=True)
class RankRow:
    """A method: places in per cent of the axis.

    Parameters
    ----------
    name, value, letters : str
        Letters are those of the bars that it lies under, and of it alone where there is none.
    at : float
        Of its mean rank.
    span : (left, width)
        Of the interval.
    """

    name: str
    value: str
    letters: str
    at: float
    span: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class RankBar:
    """Methods of which no two are told apart.

    Parameters
    ----------
    letter : str
        Under which they stand in the tables.
    names : sequence of str
        Best first.
    span : (left, width)
        From the first to the last of them, per cent of the axis.
    at : sequence of float
        Their places on it.
    """

    letter: str
    names: Sequence[str]
    span: tuple[float, float]
    at: Sequence[float]


@dataclass(frozen=True, slots=True, kw_only=True)
class RankChart:
    """Mean ranks on one axis.

    Parameters
    ----------
    heading, words : str
    rows : sequence of RankRow
    bars : sequence of RankBar
    ticks : sequence of (float, str)
    critical : (left, width)
        Nemenyi's critical difference as a length on the axis.
    critical_words : str
    """

    heading: str
    rows: Sequence[RankRow]
    bars: Sequence[RankBar]
    ticks: Sequence[tuple[float, str]]
    critical: tuple[float, float]
    critical_words: str
    words: str


def rank_chart(found: Standings) -> RankChart | str | None:
    """Return the mean ranks of the ranked methods on one axis.

    Returns
    -------
    RankChart, str or None
        Words where it cannot be drawn, which say why; None where there are no two to rank.
    """
    ranked = found.table[found.table["ranked"]]
    if len(ranked) < 2:
        return None
    test = found.rank_test
    if test is None:
        return (
            f"Mean ranks are not drawn: fewer than {LEAST_SCENES} scenes have a value of every "
            "ranked method, and so few tell no ranks apart."
        )
    last = len(ranked)

    def place(rank: float) -> float:
        return round(100 * (rank - 1) / (last - 1), 2)

    def reach(low: float, high: float) -> tuple[float, float]:
        return place(low), round(place(high) - place(low), 2)

    means = dict(zip(ranked["method"], ranked["rank_mean"], strict=True))
    width = min(place(1 + test.critical_difference), 100.0)
    return RankChart(
        heading="Mean rank over scenes",
        rows=[
            RankRow(
                name=row.method,
                value=f"{row.rank_mean:.2f} ({row.rank_low:.2f} to {row.rank_high:.2f})",
                letters=row.groups,
                at=place(row.rank_mean),
                span=reach(row.rank_low, row.rank_high),
            )
            for row in ranked.itertuples()
        ],
        bars=[
            RankBar(
                letter=letter,
                names=names,
                span=reach(means[names[0]], means[names[-1]]),
                at=[place(means[name]) for name in names],
            )
            for letter, names in found.groups.items()
        ],
        ticks=[(place(tick), f"{tick}") for tick in _ticks(last)],
        critical=(0.0, width),
        critical_words=f"{test.critical_difference:.2f}",
        words=_words(test),
    )


def _ticks(last: int) -> Sequence[int]:
    """Return whole ranks from 1 on, evenly spread, few enough for a phone."""
    return range(1, last + 1, 1 + (last - 1) // 8)


def _words(test: RankTest) -> str:
    first, second = test.freedom
    size = f"F({first}, {second}) = {test.f:.2f}, " if isfinite(test.f) else ""
    told = f"{size}p {p_text(test.p_f)}"
    differ = (
        f"their ranks differ more than by chance ({told})"
        if test.p_f < 1 - LEVEL
        else f"chance alone may well make their ranks differ so ({told})"
    )
    return (
        f"Mean rank of each method on {test.scenes} scenes, 1 is best, with its {LEVEL:.0%} "
        "interval (scenes drawn anew). Bars: methods of which no two are told apart, by "
        "Wilcoxon's signed-rank test of each pair with Holm's adjustment (as Benavoli, Corani and "
        "Mangili argue, J. Mach. Learn. Res. 17, 2016); their letters are those of the tables. "
        f"All methods together, by Friedman's test: {differ}. Critical difference, for "
        "comparison: Nemenyi's test tells mean ranks apart that differ by more (Demšar, J. Mach. "
        "Learn. Res. 7, 2006); its answer hangs on which other methods there are."
    )
