"""Sentences of the page on what the standard suite tells, each with its interval."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from stacktruth.runners.bench.ranking.factors import UNTOLD
from stacktruth.runners.bench.ranking.interval import LEAST_SCENES, typical
from stacktruth.runners.bench.ranking.metric_column import LOST, TOTAL
from stacktruth.runners.bench.ranking.pairs import contenders
from stacktruth.runners.bench.ranking.scenes import advantages, by_scene, by_stack
from stacktruth.runners.bench.ranking.standings import Standings
from stacktruth.runners.bench.ranking.words import headline, interval_text

#: What the frames of a stack allow, whatever merges them.
_ALLOWED = "capture.psnr_db"
_SUPPORT, _HANDS = "stepped", "braced"
_WARP = "+true-warp"


def for_authors(
    rows: pd.DataFrame, found: Standings, kinds: Mapping[str, tuple[str, ...]]
) -> list[str]:
    """Return what an author of methods can take from plain rows.

    Parameters
    ----------
    rows : DataFrame
    found : Standings
        Of the rows, by what was lost in the merge.
    kinds : mapping of str to tuple of str
        Of each scene.
    """
    return [headline(found), *_by_kind(rows, kinds), *_by_alignment(rows)]


def _by_kind(rows: pd.DataFrame, kinds: Mapping[str, tuple[str, ...]]) -> list[str]:
    """Return which method loses least on each kind of scene that has scenes enough."""
    levels = by_scene(rows, LOST, higher_is_better=False)[contenders(rows)]
    told = []
    for kind in sorted({kind for own in kinds.values() for kind in own} - {UNTOLD}):
        part = levels.loc[[kind in kinds.get(scene, ()) for scene in levels.index]]
        if len(part) >= LEAST_SCENES:
            typicals = {name: typical(part[name].to_numpy()) for name in part}
            best = min(typicals, key=lambda name: typicals[name].typical)
            told.append(
                f"On {len(part)} scenes of the kind *{kind}* {best} loses least, typically "
                f"{interval_text(typicals[best], 'dB')}."
            )
    return told


def _by_alignment(rows: pd.DataFrame) -> list[str]:
    """Return what each method gains that was also run with the true alignment, by hand."""
    by_hand = rows[rows["stance"] == _HANDS]
    there = set(by_hand["method"])
    table = by_stack(by_hand, LOST, higher_is_better=False)
    told = []
    for name in sorted(there):
        if name.endswith(_WARP) and name.removesuffix(_WARP) in there:
            plain = name.removesuffix(_WARP)
            gain = typical(advantages(table, name, plain, higher=False).to_numpy())
            told.append(
                f"By hand, {plain} would gain {interval_text(gain, 'dB')} from an alignment "
                "without errors."
            )
    return told


def for_photographers(rows: pd.DataFrame, found: Standings) -> list[str]:
    """Return what a photographer can take from plain rows; nothing of one way of holding alone.

    Parameters
    ----------
    rows, found
        As for `for_authors`.
    """
    if not {_SUPPORT, _HANDS} <= set(rows["stance"]) or not found.ranked:
        return []
    best = found.ranked[0]
    own = rows[rows["method"] == best]
    apart = {
        column: _stepped_over_braced(own, column) for column in (_ALLOWED, TOTAL) if column in own
    }
    lost = {
        stance: typical(by_scene(own[own["stance"] == stance], LOST)[best].to_numpy())
        for stance in (_SUPPORT, _HANDS)
    }
    frames = own.groupby("scene")["frames"].first()
    return [
        f"Frames on a support allow {apart[_ALLOWED]} more than braced ones of the same pass, "
        "whatever merges them.",
        f"Merged by {best}, the pictures are {apart[TOTAL]} better from a support than braced.",
        f"What {best} loses of what the frames allow: {interval_text(lost[_SUPPORT], 'dB')} on a "
        f"support, {interval_text(lost[_HANDS], 'dB')} braced.",
        f"A pass through a window of {len(frames)} scenes needs {frames.min()} to {frames.max()} "
        f"frames, half of them {frames.median():.0f} and more.",
    ]


def _stepped_over_braced(own: pd.DataFrame, column: str) -> str:
    """Return by how much a column is higher on a support than by hand, with its interval."""
    sides = [
        own[own["stance"] == stance].groupby("scene")[column].mean()
        for stance in (_SUPPORT, _HANDS)
    ]
    return interval_text(typical((sides[0] - sides[1]).dropna().to_numpy()), "dB")
