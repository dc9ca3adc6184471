"""How methods stand, as tables: one row a method, one row a pair."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd

from ....ground.types import Doubles
from ...contract import DONE
from .interval import Interval, typical
from .mean_ranks import RankTest, rank_test, scene_ranks
from .metric_column import TOTAL, MetricColumn
from .pairs import Pair, Rank, contenders, pairwise, ranks
from .scenes import SKIPPED, by_scene, by_stack

#: Columns of the table, and how they are held.
_COLUMNS = {
    "method": "object", "ranked": "bool", "rank_mean": "float", "rank_low": "float",
    "rank_high": "float", "rank_best": "Int64", "rank_worst": "Int64", "groups": "object",
    "typical": "float", "low": "float", "high": "float", "mean": "float", "scenes": "int",
    "without_failures": "float", "total_psnr_db": "float", "failed": "int", "skipped": "int",
}  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class Standings:
    """What a benchmark says of its methods by one metric.

    Parameters
    ----------
    metric : MetricColumn
    table : DataFrame
        One row a method: those that are ranked first, best first; then floors and what was given
        the truth.
    pairs : list of Pair
        All pairs of the ranked ones.
    scenes : int
    rank_test : RankTest or None
        Whether the ranks of the ranked ones differ; None where there are too few scenes or methods.
    """

    metric: MetricColumn
    table: pd.DataFrame
    pairs: list[Pair]
    scenes: int
    rank_test: RankTest | None = None

    @property
    def ranked(self) -> list[str]:
        """The methods that are ranked, best first."""
        return list(self.table["method"][self.table["ranked"]])

    def pair(self, first: str, second: str) -> Pair:
        """Return what is known of two ranked methods, seen from the first.

        Raises
        ------
        KeyError
            They were not compared.
        """
        for known in self.pairs:
            if {known.first, known.second} == {first, second}:
                return known if known.first == first else turned(known)
        raise KeyError(f"{first} and {second} were not compared")

    def level_with(self, name: str) -> list[str]:
        """Return the ranked methods that are not told apart from one, best first."""
        return [o for o in self.ranked if o != name and not self.pair(name, o).apart]

    @property
    def groups(self) -> dict[str, list[str]]:
        """The ranked methods of which no two are told apart, by their letter; none of one alone."""
        found: dict[str, list[str]] = {}
        for row in self.table[self.table["ranked"]].itertuples():
            for letter in row.groups:
                found.setdefault(letter, []).append(row.method)
        return {letter: names for letter, names in found.items() if len(names) > 1}


def standings(rows: pd.DataFrame, metric: MetricColumn, *, power: bool = True) -> Standings:
    """Return how the methods of a benchmark stand.

    Parameters
    ----------
    rows : DataFrame
        Cells that may be compared with each other, such as all plain ones.
    metric : MetricColumn
    power : bool
        Whether each pair is told what difference could have been seen.
    """
    rows = metric.values(rows)
    higher = metric.higher_is_better
    table = by_stack(rows, metric.name, higher_is_better=higher)
    ranked = contenders(rows)
    pairs = pairwise(
        table,
        combinations(ranked, 2),
        higher_is_better=higher,
        margin=metric.margin,
        unit=metric.unit,
        power=power,
    )
    placed = ranks(table, ranked, pairs, higher_is_better=higher)
    levels = by_scene(rows, metric.name, higher_is_better=higher)
    worst_last = levels.median().sort_values(ascending=not higher, kind="stable").index
    others = [str(name) for name in worst_last if name not in ranked]
    totals = by_scene(rows, TOTAL) if TOTAL in rows else None
    made = [
        *(_row(rows, levels, metric, place.method, place, totals=totals) for place in placed),
        *(_row(rows, levels, metric, name, None, totals=totals) for name in others),
    ]
    frame = pd.DataFrame(made, columns=list(_COLUMNS)).astype(_COLUMNS)
    tested = rank_test(scene_ranks(table, ranked, higher_is_better=higher)) if ranked else None
    return Standings(metric=metric, table=frame, pairs=pairs, scenes=len(levels), rank_test=tested)


def _row(
    rows: pd.DataFrame,
    levels: pd.DataFrame,
    metric: MetricColumn,
    name: str,
    place: Rank | None,
    *,
    totals: pd.DataFrame | None,
) -> dict[str, object]:
    """Return what is told of one method; without a place it is not ranked."""
    own = rows[rows["method"] == name]
    total = [] if totals is None else totals[name].to_numpy()
    return {
        "method": name,
        "ranked": place is not None,
        "rank_mean": place.mean if place else np.nan,
        "rank_low": place.low if place else np.nan,
        "rank_high": place.high if place else np.nan,
        "rank_best": place.best if place else None,
        "rank_worst": place.worst if place else None,
        "groups": place.groups if place else "",
        **_told(typical(levels[name].to_numpy())),
        "without_failures": typical(_clean(own, metric.name)).typical,
        "total_psnr_db": typical(total).typical,
        "failed": int((~own["status"].isin(DONE)).sum()),
        "skipped": int((own["status"] == SKIPPED).sum()),
    }


def _clean(own: pd.DataFrame, column: str) -> Doubles:
    """Return a method's means over the stacks of each scene, of those where it did not fail."""
    done = own[own["status"] == "ok"]
    means: Doubles = done.groupby("scene")[column].mean().to_numpy(float)
    return means


def _told(found: Interval) -> dict[str, float]:
    return {
        "typical": found.typical,
        "low": found.low,
        "high": found.high,
        "mean": found.mean,
        "scenes": found.scenes,
    }


def pairs_table(pairs: Sequence[Pair]) -> pd.DataFrame:
    """Return pairs as a table, one row each."""
    columns = [
        "first", "second", "advantage", "low", "high", "mean", "scenes", "effect", "p", "p_holm",
        "least_difference", "unit", "verdict",
    ]  # fmt: skip
    return pd.DataFrame([pair_row(pair) for pair in pairs], columns=columns)


def pair_row(pair: Pair) -> dict[str, object]:
    """Return a pair as plain values."""
    told = _told(pair.advantage)
    return {
        "first": pair.first,
        "second": pair.second,
        "advantage": told.pop("typical"),
        **told,
        "effect": pair.effect,
        "p": pair.p,
        "p_holm": pair.p_holm,
        "least_difference": pair.least_difference,
        "unit": pair.unit,
        "verdict": pair.verdict,
    }


def turned(pair: Pair) -> Pair:
    """Return a pair seen from its second method."""
    return replace(
        pair,
        first=pair.second,
        second=pair.first,
        advantage=_turned(pair.advantage),
        within=_turned(pair.within),
        effect=-pair.effect,
    )


def _turned(found: Interval) -> Interval:
    return replace(
        found, typical=-found.typical, low=-found.high, high=-found.low, mean=-found.mean
    )
