"""How methods stand, as JSON: what ``standings.csv`` has, and whether ranks differ at all."""

from __future__ import annotations

import json
from dataclasses import asdict

from .compare_text import plain
from .interval import LEVEL
from .standings import Standings

_PAIRS = "Wilcoxon's signed-rank test on scenes, Holm's adjustment"
_RANKS = "Friedman, as Iman and Davenport put it; critical difference: Nemenyi"


def standings_json(found: Standings) -> str:
    """Return how methods stand as JSON; a number that does not exist is null.

    Returns
    -------
    str
        An object with ``metric``, ``unit``, ``better``, ``scenes``, ``level``, ``methods`` (rows
        of ``standings.csv``), ``not_told_apart`` (groups of methods by their letter),
        ``not_told_apart_by`` (the test), ``rank_test`` (fields of `RankTest`; null where there are
        too few scenes) and ``rank_test_is``.
    """
    return json.dumps(
        plain(
            {
                "metric": found.metric.name,
                "unit": found.metric.unit,
                "better": found.metric.direction,
                "scenes": found.scenes,
                "level": LEVEL,
                "methods": found.table.astype(object)
                .where(found.table.notna(), None)
                .to_dict("records"),
                "not_told_apart": found.groups,
                "not_told_apart_by": _PAIRS,
                "rank_test": None if found.rank_test is None else asdict(found.rank_test),
                "rank_test_is": _RANKS,
            }
        ),
        indent=1,
        allow_nan=False,
    )
