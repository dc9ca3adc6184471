"""What is seen first: methods as dots with intervals, and maps of kinds of scenes and handlings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator

from ..ranking.factors import Kinds, split
from ..ranking.interval import LEAST_SCENES, Interval, typical
from ..ranking.metric_column import MetricColumn
from ..ranking.scenes import by_scene
from ..ranking.standings import Standings
from ..ranking.words import interval_text

#: Ends of the colours: from light, level with the best, to dark; text on them turns white half-way.
_COLOURS, _LIGHT, _DARK, _TURNS = "Blues", 0.03, 0.9, 0.5
#: What is this far behind the best, dB, has the darkest colour.
_FAR = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DotRow:
    """A method in the chart: places in per cent of its width.

    Parameters
    ----------
    name, value : str
    at : float
        Of the dot.
    span : (left, width) or None
        Of the interval.
    level : bool
        Whether it is not told apart from the best.
    """

    name: str
    value: str
    at: float
    span: tuple[float, float] | None
    level: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DotChart:
    """Methods by how far they lie behind the best, with intervals."""

    heading: str
    rows: Sequence[DotRow]
    ticks: Sequence[tuple[float, str]]
    zero: float
    words: str


def dot_chart(found: Standings) -> DotChart | None:
    """Return how far each ranked method lies behind the best; None where there is no other.

    Floors and what is given the truth are left out: they say nothing of which method to take.
    """
    if len(found.ranked) < 2:
        return None
    best, *others = found.ranked
    behind = {name: found.pair(best, name) for name in others}
    known = [pair.advantage for pair in behind.values()]
    ends = [end for one in known for end in (one.typical, one.low, one.high) if np.isfinite(end)]
    low, high = min([0.0, *ends]), max([0.0, *ends])
    if low == high:
        high = low + 1.0
    ticks = MaxNLocator(5).tick_values(low, high)
    low, high = float(ticks[0]), float(ticks[-1])

    def place(value: float) -> float:
        return round(100 * (value - low) / (high - low), 2)

    unit = found.metric.unit
    rows = [DotRow(name=best, value="the best", at=place(0), span=None, level=False)]
    for name, pair in behind.items():
        one = pair.advantage
        span = (place(one.low), round(place(one.high) - place(one.low), 2)) if one.known else None
        rows.append(
            DotRow(
                name=name,
                value=_value(one, unit),
                at=place(one.typical),
                span=span,
                level=not pair.apart,
            )
        )
    return DotChart(
        heading=f"How far methods lie behind {best}",
        rows=rows,
        ticks=[(place(float(tick)), f"{tick:g}") for tick in ticks],
        zero=place(0),
        words=_words(found, best),
    )


def _value(one: Interval, unit: str) -> str:
    """Return a value beside the dots; that an interval is missing is said once, below."""
    return interval_text(one, unit) if one.known else f"{one.typical:.2f} {unit}".rstrip()


def _words(found: Standings, best: str) -> str:
    what = f"{found.metric.unit} more lost in the merge than by {best}"
    if found.scenes < LEAST_SCENES:
        return f"{what}, typical of {found.scenes} scenes: too few for an interval."
    return (
        f"{what}, on the same stacks: typical difference with its 95 % interval over "
        f"{found.scenes} scenes. A ring: not told apart from {best}, all pairs together at 5 %."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MapCell:
    """One cell of a map: text on a colour; few scenes are told apart by their type."""

    text: str
    colour: str
    ink: str
    few: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MapRow:
    """A method in a map."""

    name: str
    cells: Sequence[MapCell]


@dataclass(frozen=True, slots=True, kw_only=True)
class FactorMap:
    """Methods by the levels of a factor."""

    heading: str
    corner: str
    columns: Sequence[str]
    rows: Sequence[MapRow]
    note: str


def factor_maps(
    rows: pd.DataFrame, found: Standings, kinds: Kinds, factors: Sequence[str]
) -> Iterator[FactorMap]:
    """Yield a map for each factor that has more than one level.

    Parameters
    ----------
    rows : DataFrame
        Plain cells.
    found : Standings
    kinds : mapping of str to tuple of str
        Of each scene.
    factors : sequence of str
    """
    ranked = rows[rows["method"].isin(found.ranked)]
    for factor in factors:
        if factor != "kind" and factor not in rows:
            continue
        levels = {name: part for name, part, _ in split(ranked, found.metric, factor, kinds)}
        if len(levels) > 1 and found.ranked:
            yield _map(levels, found, factor)


def _map(levels: dict[str, pd.DataFrame], found: Standings, factor: str) -> FactorMap:
    columns = {name: _levels(part, found.ranked, found.metric) for name, part in levels.items()}
    counts = {name: part["scene"].nunique() for name, part in levels.items()}
    sign = 1 if found.metric.higher_is_better else -1
    rows = []
    for method in found.ranked:
        cells = []
        for name, values in columns.items():
            behind = (sign * values).max() - sign * values[method]
            cells.append(_cell(values[method], behind, few=counts[name] < LEAST_SCENES))
        rows.append(MapRow(name=method, cells=cells))
    what = "Kind of scene" if factor == "kind" else factor.capitalize()
    return FactorMap(
        heading=f"By {'kind of scene' if factor == 'kind' else factor}",
        corner=f"lost, {found.metric.unit}",
        columns=[f"{name} ({counts[name]})" for name in columns],
        rows=rows,
        note=f"{what}, in brackets its scenes: what each method typically lost in the merge. "
        f"Darker: farther behind the best of the column, darkest from {_FAR:g} "
        f"{found.metric.unit}. Slanted: fewer than {LEAST_SCENES} scenes, from which no difference "
        "can be told. A scene of several kinds is counted with each.",
    )  # fmt: skip


def _levels(part: pd.DataFrame, methods: Sequence[str], metric: MetricColumn) -> pd.Series:
    table = by_scene(metric.values(part), metric.name, higher_is_better=metric.higher_is_better)
    return pd.Series({name: typical(table[name].to_numpy()).typical for name in methods})


def _cell(value: float, behind: float, *, few: bool) -> MapCell:
    if not np.isfinite(value):
        return MapCell(text="-", colour="#fff", ink="#222", few=few)
    share = float(np.clip(behind / _FAR, 0, 1))
    shade = mpl.colormaps[_COLOURS](_LIGHT + share * (_DARK - _LIGHT))
    colour = "#" + "".join(f"{round(255 * part):02x}" for part in shade[:3])
    return MapCell(
        text=f"{value:.1f}", colour=colour, ink="#fff" if share > _TURNS else "#222", few=few
    )
