"""A ranking in words: who, by how much, how sure."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from .interval import LEAST_SCENES, Interval
from .pairs import Pair
from .standings import Standings

#: How a verdict is said of two methods.
_RELATIONS = {
    "better": "better than",
    "worse": "worse than",
    "level": "level with",
    "not told apart": "not told apart from",
}


def headline(found: Standings) -> str:
    """Return one sentence on who is best, by how much and how sure; ceiling and floors left out."""
    ranked, unit = found.ranked, found.metric.unit
    what = "lost least in the merge" if found.metric.name == "merge_loss_db" else "came out best"
    if not ranked:
        return "No method is ranked here: floors and what is given the truth have no place."
    if found.scenes < LEAST_SCENES:
        return (
            f"{found.scenes} scenes say nothing about which method is better: the least is "
            f"{LEAST_SCENES}, and 50 tell most methods apart."
        )
    best = found.table.iloc[0]
    level = Interval(
        typical=best["typical"], low=best["low"], high=best["high"], mean=best["mean"],
        scenes=int(best["scenes"]),
    )  # fmt: skip
    told = f"{ranked[0]} {what} on {found.scenes} scenes, typically {interval_text(level, unit)}"
    if len(ranked) == 1:
        return f"{told}."
    level_with = found.level_with(ranked[0])
    if not level_with:
        return f"{told}; {_lead(found.pair(ranked[0], ranked[1]), 'the next')}."
    return f"{told}; it is not told apart from {_listed(level_with)}{_behind(found, level_with)}."


def _behind(found: Standings, level_with: Sequence[str]) -> str:
    """Return by how much the first that is surely worse lies behind, if there is one."""
    best, *others = found.ranked
    worse = [name for name in others if name not in level_with]
    return f", and is {_lead(found.pair(best, worse[0]), 'the next')}" if worse else ""


def _lead(pair: Pair, which: str) -> str:
    lead = interval_text(pair.advantage, pair.unit)
    return f"better than {pair.second}, {which}, by {lead}, p {p_text(pair.p_holm)}"


def interval_text(found: Interval, unit: str) -> str:
    """Return a typical value with its interval as people read it."""
    digits = _digits(unit)
    whole = f"{found.typical:.{digits}f} {unit}".rstrip()
    if not found.known:
        return f"{whole} (no interval: {found.scenes} scenes)"
    return f"{whole} ({found.low:.{digits}f} to {found.high:.{digits}f})"


def _digits(unit: str) -> int:
    """Return the decimals that are told: shares and indices go from 0 to 1."""
    return 2 if unit else 4


def p_text(p: float) -> str:
    """Return a p-value as people read it."""
    return "< 0.001" if p < 0.001 else f"= {p:.3f}"


def pair_sentence(pair: Pair) -> str:
    """Return what can be said of two methods: a line on them, and one on what could be seen."""
    if not pair.advantage.known:
        return (
            f"{pair.first} against {pair.second}: {pair.advantage.scenes} scenes say nothing; the "
            f"least is {LEAST_SCENES}."
        )
    size = interval_text(pair.advantage, pair.unit)
    sure = f"{pair.advantage.scenes} scenes, p {p_text(pair.p_holm)}"
    word, _, within = pair.verdict.partition(" within")
    standing = _RELATIONS[word.rstrip(",")]
    return (
        f"{pair.first} is {standing} {pair.second}{' within' if within else ''}{within}: its "
        f"advantage is typically {size}, {sure}.\n{power_sentence(pair)}"
    )


def power_sentence(pair: Pair) -> str:
    """Return what such a suite could have seen."""
    if not isfinite(pair.least_difference):
        return "So many comparisons could have found no difference, however large."
    seen = f"{pair.least_difference:.{_digits(pair.unit)}f} {pair.unit}".rstrip()
    return f"In 8 of 10 cases a suite like this one finds a difference of {seen}."


def _listed(names: Sequence[str], most: int = 4) -> str:
    shown = list(names[:most])
    if len(names) > most:
        shown.append(f"{len(names) - most} more")
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"
