"""Is mine better? One method against others, over scenes, split by a factor, case by case."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from .factors import Kinds, split
from .interval import LEAST_SCENES
from .metric_column import MetricColumn
from .pairs import Pair, holm, pairwise
from .scenes import by_stack
from .standings import pair_row

#: Cases that are shown from each end.
SHOWN = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """What a benchmark says of one method against others.

    Parameters
    ----------
    method : str
    metric : MetricColumn
    pairs : list of Pair
        One for each other method, over all scenes; p adjusted for their number.
    parts : DataFrame
        The same for each level of the factor that was asked for: columns of `pair_row` after
        ``level``; p adjusted for all rows together that have scenes enough. Empty where no factor
        was asked for.
    cases : DataFrame
        Each stack that both did, with the advantage over the first of the others, best first.
    """

    method: str
    metric: MetricColumn
    pairs: list[Pair]
    parts: pd.DataFrame
    cases: pd.DataFrame

    @property
    def best(self) -> pd.DataFrame:
        """The cases that are won most, best first."""
        return self.cases.iloc[:SHOWN]

    @property
    def worst(self) -> pd.DataFrame:
        """The cases that are lost most, best first; none that is among the best."""
        return self.cases.iloc[max(SHOWN, len(self.cases) - SHOWN) :]


def compare(
    rows: pd.DataFrame,
    method: str,
    against: Sequence[str],
    *,
    metric: MetricColumn,
    by: str | None = None,
    kinds: Kinds | None = None,
) -> Comparison:
    """Compare a method with others over the scenes of a benchmark.

    Parameters
    ----------
    rows : DataFrame
        Cells that may be compared with each other, such as all plain ones.
    method : str
    against : sequence of str
        The others; the first of them is the one that cases are told of.
    metric : MetricColumn
    by : str or None
        What to split by, one of `factors.FACTORS`.
    kinds : mapping of str to tuple of str, optional
        Of each scene, for ``by="kind"``.

    Raises
    ------
    ValueError
        A method or a factor that the rows do not hold, or a column that holds no number.
    """
    _check(rows, method, against)
    rows = rows[rows["method"].isin([method, *against])]
    rows = metric.values(rows)
    asked = [(method, other) for other in against]
    levels = list(split(rows, metric, by, kinds or {})) if by else []
    if by and not levels:
        raise ValueError(f"by: got {by}, by which {metric.name} is not told, allowed another")
    enough = sum(part["scene"].nunique() >= LEAST_SCENES for _, part, _ in levels)
    told = [
        (level, pair)
        for level, part, own in levels
        for pair in _pairs(part, asked, own, comparisons=enough * len(asked))
    ]
    return Comparison(
        method=method,
        metric=metric,
        pairs=_pairs(rows, asked, metric),
        parts=_parts(told),
        cases=_cases(rows, method, against[0], metric),
    )


def _check(rows: pd.DataFrame, method: str, against: Sequence[str]) -> None:
    there = list(dict.fromkeys(rows["method"]))
    for name in (method, *against):
        if name not in there:
            raise ValueError(f"method: got {name!r}, allowed {', '.join(map(str, there))}")
    if method in against:
        raise ValueError(f"against: got {method!r} itself, allowed any other method")
    if len(set(against)) < len(against):
        raise ValueError("against: got a method twice, allowed each once")


def _pairs(
    rows: pd.DataFrame,
    asked: Sequence[tuple[str, str]],
    metric: MetricColumn,
    *,
    comparisons: int | None = None,
) -> list[Pair]:
    there = set(rows["method"])
    return pairwise(
        by_stack(rows, metric.name, higher_is_better=metric.higher_is_better),
        [pair for pair in asked if there.issuperset(pair)],
        higher_is_better=metric.higher_is_better,
        margin=metric.margin,
        unit=metric.unit,
        comparisons=comparisons,
    )


def _parts(told: Sequence[tuple[str, Pair]]) -> pd.DataFrame:
    """Return a row for each pair of each part, with p adjusted for all of them together."""
    # Parts with too few scenes are no tests: nothing could have come of them.
    adjusted = iter(holm([pair.p for _, pair in told if pair.advantage.known]))
    rows = []
    for level, pair in told:
        p_holm = float(next(adjusted)) if pair.advantage.known else float("nan")
        rows.append({"level": level, **pair_row(replace(pair, p_holm=p_holm))})
    return pd.DataFrame(rows)


def _cases(rows: pd.DataFrame, method: str, other: str, metric: MetricColumn) -> pd.DataFrame:
    """Return each stack that both did with the advantage of the method, best first."""
    table = by_stack(rows, metric.name, higher_is_better=metric.higher_is_better)
    sign = 1.0 if metric.higher_is_better else -1.0
    found = table[[method, other]].dropna()
    told = found.index.to_frame(index=False)
    within = told.groupby("scene", sort=False).nunique().max()
    told = told.loc[:, [name == "scene" or within[name] > 1 for name in told]]
    cases = told.assign(
        advantage=(sign * (found[method] - found[other])).to_numpy(),
        of_method=found[method].to_numpy(),
        of_other=found[other].to_numpy(),
    )
    return cases.sort_values("advantage", ascending=False, kind="stable", ignore_index=True)
