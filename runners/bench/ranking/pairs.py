"""Methods compared two by two, and what follows of it: ranks, and groups not told apart."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
import scipy  # loads scipy.stats, which is slow, when it is asked for

from ....ground.types import Doubles
from ...methods import METHODS, needs_truth
from ...methods.registry import FLOORS
from .interval import LEVEL, Interval, signed_rank_p, typical
from .mean_ranks import rank_intervals, scene_ranks
from .power import least_difference
from .scenes import advantages

#: Differences that nobody needs to care for, by the unit of a column (common practice, no source).
MARGINS = {"dB": 0.5}


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """What a benchmark can say of two methods.

    Parameters
    ----------
    first, second : str
    advantage : Interval
        Of the first over the second: typical difference over scenes with its interval at 95 %,
        positive where the first is better.
    within : Interval
        The same at 90 %: two methods are level where it lies inside the margins (Schuirmann, J.
        Pharmacokinet. Biopharm. 15, 657, 1987).
    effect : float
        Matched-pairs rank-biserial correlation, -1..1.
    p, p_holm : float
        Of the signed-rank test, by itself and among the comparisons asked for.
    least_difference : float
        Typical difference that such a suite finds in 8 of 10 cases, at the level that is left for
        each of the comparisons asked for; NaN where it finds none.
    margin : float or None
        Within which two methods count as level.
    unit : str
    """

    first: str
    second: str
    advantage: Interval
    within: Interval
    effect: float
    p: float
    p_holm: float
    least_difference: float
    margin: float | None
    unit: str = ""

    @property
    def apart(self) -> bool:
        """Whether the two are told apart at 5 %, all comparisons asked for together."""
        return self.advantage.known and self.p_holm < 1 - LEVEL

    @property
    def level(self) -> bool:
        """Whether they differ by less than the margin, at 5 %."""
        if self.margin is None or not self.within.known:
            return False
        return bool(-self.margin < self.within.low and self.within.high < self.margin)

    @property
    def verdict(self) -> str:
        """What can be said, in words; of the first method."""
        if not self.advantage.known:
            return "too few scenes to say"
        within = f"within {self.margin:g} {self.unit}".rstrip() if self.level else ""
        if self.apart:
            word = "better" if self.advantage.typical > 0 else "worse"
            return f"{word}, {within}" if within else word
        return f"level {within}" if within else "not told apart"


def contenders(rows: pd.DataFrame) -> list[str]:
    """Return the methods that are ranked: no floor, and none that is given the truth.

    Parameters
    ----------
    rows : DataFrame
        With the column method, and kind where it has it.
    """
    kinds = rows.get("kind", pd.Series("built-in", index=rows.index))
    own = set(rows["method"][kinds == "built-in"])
    return [
        name
        for name in dict.fromkeys(rows["method"])
        if name not in own or (name not in FLOORS and not _truth_fed(name))
    ]


def _truth_fed(name: str) -> bool:
    return name.partition("+")[0] in METHODS and needs_truth(name)


def pairwise(
    table: pd.DataFrame,
    asked: Iterable[tuple[str, str]] | None = None,
    *,
    higher_is_better: bool = True,
    margin: float | None = None,
    unit: str = "",
    comparisons: int | None = None,
    power: bool = True,
) -> list[Pair]:
    """Compare pairs of methods over scenes.

    Parameters
    ----------
    table : DataFrame
        Of `by_stack`, or scenes x methods.
    asked : iterable of (str, str) or None
        The comparisons that are asked for, and that p-values are adjusted for; None is all pairs.
    higher_is_better : bool
    margin : float or None
        Within which two methods are level, in the table's unit.
    unit : str
        For words.
    comparisons : int or None
        How many share the level of 5 %, for what could have been seen; None is those asked for.
    power : bool
        Whether what could have been seen is asked for, which takes longest; else it is NaN.

    Returns
    -------
    list of Pair
        In the order asked.

    Examples
    --------
    >>> import pandas as pd
    >>> dB = pd.DataFrame({"mine": [31, 33, 30, 38, 35, 34], "theirs": [30, 31, 27, 34, 30, 28]})
    >>> (pair,) = pairwise(dB.rename_axis("scene"), unit="dB")
    >>> pair.advantage.typical, pair.p_holm, pair.verdict
    (3.5, 0.03125, 'better')
    """
    wanted = list(combinations(table.columns, 2) if asked is None else asked)
    apart = [advantages(table, *names, higher=higher_is_better).to_numpy() for names in wanted]
    p_values = [signed_rank_p(values) for values in apart]
    each = 1 - (1 - LEVEL) / max(1, comparisons or len(wanted))
    return [
        Pair(
            first=first,
            second=second,
            advantage=typical(values),
            within=typical(values, level=2 * LEVEL - 1),
            effect=rank_biserial(values),
            p=p,
            p_holm=float(adjusted),
            least_difference=least_difference(values, level=each) if power else np.nan,
            margin=margin,
            unit=unit,
        )
        for (first, second), values, p, adjusted in zip(
            wanted, apart, p_values, holm(p_values), strict=True
        )
    ]


def holm(p_values: Sequence[float] | Doubles) -> Doubles:
    """Return p-values adjusted for their number (Holm, Scand. J. Statist. 6, 65, 1979).

    Parameters
    ----------
    p_values : sequence of float
        0 to 1.

    Returns
    -------
    array, in the order given

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03]).tolist()
    [0.03, 0.06, 0.06]
    """
    given = np.asarray(p_values, float)
    order = np.argsort(given)
    steps = given[order] * (given.size - np.arange(given.size))
    adjusted = np.empty_like(given)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1)
    return adjusted


def rank_biserial(apart: Doubles) -> float:
    """Return the matched-pairs rank-biserial correlation of differences, -1..1.

    The share of rank sums in favour of the first less that of the second (Kerby, Comprehensive
    Psychology 3, 11.IT.3.1, 2014).
    """
    apart = apart[apart != 0]
    if apart.size == 0:
        return 0.0
    ranks = scipy.stats.rankdata(np.abs(apart))
    return float((ranks[apart > 0].sum() - ranks[apart < 0].sum()) / ranks.sum())


@dataclass(frozen=True, slots=True, kw_only=True)
class Rank:
    """Where a method stands among others.

    Parameters
    ----------
    method : str
    mean : float
        Mean over scenes of its rank on each, 1 is best.
    low, high : float
        Interval of that mean at 95 %, of this method by itself (`mean_ranks.rank_intervals`).
    best, worst : int
        Its place lies between them, for all methods together in 95 of 100 suites.
    groups : str
        A letter for each group whose members are not told apart; methods that share a letter may
        well be level (Demsar, J. Mach. Learn. Res. 7, 1, 2006, as bars; letters: Piepho, J. Comput.
        Graph. Statist. 13, 456, 2004).
    """

    method: str
    mean: float
    low: float
    high: float
    best: int
    worst: int
    groups: str


def ranks(
    table: pd.DataFrame, names: Sequence[str], pairs: Sequence[Pair], *, higher_is_better: bool
) -> list[Rank]:
    """Return the ranks of methods with their intervals, by mean rank.

    A method's best place follows from how many are surely better, its worst from how many are
    surely worse, all pairs tested together (Klein, Wright & Wieczorek, J. R. Statist. Soc. A 183,
    589, 2020; Mogstad, Romano, Shaikh & Wilhelm, Rev. Econ. Stud. 91, 476, 2024). Pairs are tested
    by themselves and not by mean ranks: those hang on which other methods there are (Benavoli,
    Corani & Mangili, J. Mach. Learn. Res. 17 (5), 2016).

    Parameters
    ----------
    table : DataFrame
        Of `by_stack`.
    names : sequence of str
        Methods to rank.
    pairs : sequence of Pair
        All pairs of them.
    higher_is_better : bool
    """
    on_scenes = scene_ranks(table, names, higher_is_better=higher_is_better)
    places = on_scenes.mean()
    low, high = (dict(zip(names, ends, strict=True)) for ends in rank_intervals(on_scenes))
    order = sorted(names, key=lambda name: float(places[name]))
    beaten = {
        (pair.first, pair.second) if pair.advantage.typical > 0 else (pair.second, pair.first)
        for pair in pairs
        if pair.apart
    }
    letters = _groups(order, beaten)
    return [
        Rank(
            method=name,
            mean=float(places[name]),
            low=float(low[name]),
            high=float(high[name]),
            best=1 + sum((other, name) in beaten for other in names),
            worst=len(names) - sum((name, other) in beaten for other in names),
            groups=letters[name],
        )
        for name in order
    ]


def _groups(order: Sequence[str], beaten: set[tuple[str, str]]) -> dict[str, str]:
    """Return letters of the longest runs of methods of which no two are told apart."""
    together = {frozenset(pair) for pair in beaten}
    letters = dict.fromkeys(order, "")
    end = letter = 0
    for start in range(len(order)):
        reach = start + 1
        while reach < len(order) and all(
            frozenset((order[reach], order[one])) not in together for one in range(start, reach)
        ):
            reach += 1
        if reach > end:
            for name in order[start:reach]:
                letters[name] += chr(ord("a") + letter)
            end, letter = reach, letter + 1
    return letters
