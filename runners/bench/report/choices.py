"""What can be chosen on the page: part of the stacks, by how they were shot, told like the whole.

Each choice is made here and put into the page; its script only brings forth what was chosen. So a
number has one source, and what is chosen is tested as the whole is.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import prod

import pandas as pd

from ..ranking.factors import Kinds
from ..ranking.metric_column import MetricColumn
from ..ranking.standings import Standings, standings
from ..ranking.words import headline
from .charts import DotChart, FactorMap, dot_chart, factor_maps
from .rank_chart import RankChart, rank_chart
from .tables import MAIN

FACTORS = ("stance", "light", "subject", "rig")
#: More choices than these are not combined: a page must not take minutes, nor megabytes.
MOST = 150


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the page tells of a part of the stacks.

    Parameters
    ----------
    sentence : str
        Who, by how much, how sure; first of which part.
    chart : DotChart or None
    ranks : RankChart, str or None
    kinds : FactorMap or None
        Kinds of scenes and methods.
    key : str
        Of the choice: for each factor the number of its level, 0 is all of them.
    """

    sentence: str
    chart: DotChart | None
    ranks: RankChart | str | None
    kinds: FactorMap | None
    key: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """All that can be chosen.

    Parameters
    ----------
    factors : mapping of str to sequence of str
        Those with more than one level, and their levels.
    told : sequence of Told
        Of each part that has stacks.
    note : str
    """

    factors: Mapping[str, Sequence[str]]
    told: Sequence[Told]
    note: str

    @property
    def as_json(self) -> str:
        """The factors as the page's script reads them."""
        found = [{"name": name, "levels": list(own)} for name, own in self.factors.items()]
        return json.dumps(found)


def tell(
    rows: pd.DataFrame, found: Standings, kinds: Kinds, *, chosen: str = "", key: str = ""
) -> Told:
    """Return what the page tells of some stacks.

    Parameters
    ----------
    rows : DataFrame
        Plain cells.
    found : Standings
        Of them.
    kinds : mapping of str to tuple of str
        Of each scene.
    chosen : str
        Which stacks they are, in words.
    key : str
        The same for the page's script.
    """
    known = not rows[MAIN].isna().all()
    sentence = headline(found) if known else "no method has a result."
    return Told(
        sentence=f"{chosen}: {sentence}" if chosen else sentence,
        chart=dot_chart(found) if known else None,
        ranks=rank_chart(found) if known else None,
        kinds=next(factor_maps(rows, found, kinds, ("kind",)), None) if known else None,
        key=key,
    )


def choices(
    rows: pd.DataFrame, metric: MetricColumn, kinds: Kinds, *, most: int = MOST
) -> Choices | None:
    """Return what can be chosen by how stacks were shot; None where all were shot in one way.

    Parameters
    ----------
    rows : DataFrame
        Plain cells.
    metric : MetricColumn
    kinds : mapping of str to tuple of str
    most : int
        With more choices than these, only one factor is chosen at a time.
    """
    factors = {
        name: [str(level) for level in dict.fromkeys(rows[name].dropna())]
        for name in FACTORS
        if name in rows and rows[name].nunique() > 1
    }
    if not factors:
        return None
    together = prod(len(levels) + 1 for levels in factors.values()) <= most
    told = []
    for at in _all_choices(factors, together=together):
        part = _part(rows, factors, at)
        if not part.empty:
            own = standings(part, metric, power=False)
            words = _words(factors, at)
            told.append(tell(part, own, kinds, chosen=words, key="-".join(map(str, at))))
    return Choices(factors=factors, told=told, note=_note(together=together))


def _all_choices(
    factors: Mapping[str, Sequence[str]], *, together: bool
) -> Iterator[tuple[int, ...]]:
    """Yield each choice but that of all stacks: for each factor a level from 1, or 0."""
    for at in product(*(range(len(levels) + 1) for levels in factors.values())):
        chosen = sum(number > 0 for number in at)
        if chosen == 1 or (chosen and together):
            yield at


def _part(
    rows: pd.DataFrame, factors: Mapping[str, Sequence[str]], at: Sequence[int]
) -> pd.DataFrame:
    for (name, levels), number in zip(factors.items(), at, strict=True):
        if number:
            rows = rows[rows[name].astype(str) == levels[number - 1]]
    return rows


def _words(factors: Mapping[str, Sequence[str]], at: Sequence[int]) -> str:
    named = [
        f"{name} {levels[number - 1]}"
        for (name, levels), number in zip(factors.items(), at, strict=True)
        if number
    ]
    return f"With {' and '.join(named)}"


def _note(*, together: bool) -> str:
    alone = "" if together else " One factor is chosen at a time."
    return (
        "The sentence, the figures and the map are then of the stacks chosen. Each choice is "
        f"tested by itself: who looks at many finds differences by chance.{alone}"
    )
