"""What a comparison can be split by: scene, kind of scene, handling, region of the picture."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress

import pandas as pd

from ....simulator.data import DataFileError
from ....simulator.loading.scenes import load_scene
from ...judge.judged_view import SCORED_REGIONS
from ..grid.suite import Suite
from .metric_column import MetricColumn

FACTORS = ("scene", "kind", "stance", "light", "subject", "rig", "region")
#: Of a scene whose file says nothing, or is gone.
UNTOLD = "not told"

Kinds = Mapping[str, tuple[str, ...]]


def kinds_of(suite: Suite) -> dict[str, tuple[str, ...]]:
    """Return the kinds of each scene of a suite, by its name, as its file tells them now."""
    found: dict[str, tuple[str, ...]] = {}
    for name in suite.scenes:
        with suppress(DataFileError):  # the file may be gone since the suite was run
            scene = load_scene(name)
            found[scene.name] = scene.kinds
    return found


def split(
    rows: pd.DataFrame, metric: MetricColumn, factor: str, kinds: Kinds
) -> Iterator[tuple[str, pd.DataFrame, MetricColumn]]:
    """Yield each level of a factor with its rows and the column to compare by.

    A scene of several kinds is counted with each of them.

    Parameters
    ----------
    rows : DataFrame
    metric : MetricColumn
        Of the whole picture.
    factor : str
        One of `FACTORS`.
    kinds : mapping of str to tuple of str
        Of each scene.

    Raises
    ------
    ValueError
        An unknown factor, or one that the rows do not hold.
    """
    if factor not in FACTORS:
        raise ValueError(f"by: got {factor!r}, allowed {', '.join(FACTORS)}")
    if factor == "region":
        for region in SCORED_REGIONS:
            own = metric.of_region(region)
            if own.name in rows and rows[own.name].notna().any():
                yield region, rows[rows[own.name].notna() | (rows["status"] != "ok")], own
    elif factor == "kind":
        for kind in sorted(_all_kinds(rows["scene"], kinds)):
            of_kind = [kind in (kinds.get(name) or (UNTOLD,)) for name in rows["scene"]]
            yield kind, rows[of_kind], metric
    else:
        if factor not in rows:
            raise ValueError(f"by: the rows of this benchmark have no column {factor!r}")
        for level in dict.fromkeys(rows[factor]):
            yield str(level), rows[rows[factor] == level], metric


def _all_kinds(scenes: Iterable[str], kinds: Kinds) -> set[str]:
    return {kind for name in scenes for kind in kinds.get(name) or (UNTOLD,)}
