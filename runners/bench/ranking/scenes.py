"""Rows of a benchmark as values by scene: scenes are the sample, all else is nested in them."""

from __future__ import annotations

import pandas as pd

#: What tells two stacks of one scene apart; a difference is taken on one stack.
_STACK = ("rig", "stance", "light", "subject", "window", "condition", "value", "seed")
#: A method said that such a stack is not for it: neither a result nor a failure.
SKIPPED = "skipped"


def by_scene(rows: pd.DataFrame, column: str, *, higher_is_better: bool = True) -> pd.DataFrame:
    """Return the mean over a scene's stacks for each scene and method; failures are worst.

    A cell that failed counts as badly as the worst result that any method had on that scene; a
    skipped one is left out.

    Parameters
    ----------
    rows : DataFrame
        With columns scene, method, status and `column`.
    column : str
    higher_is_better : bool

    Returns
    -------
    DataFrame, scenes x methods
    """
    values = _filled(rows, column, higher_is_better=higher_is_better)
    table = values.groupby([rows["scene"], rows["method"]], sort=False).mean().unstack()
    return table.reindex(columns=list(dict.fromkeys(rows["method"])))


def by_stack(rows: pd.DataFrame, column: str, *, higher_is_better: bool = True) -> pd.DataFrame:
    """Return a value for each stack and method; failures are worst, skipped cells NaN.

    Parameters
    ----------
    rows : DataFrame
        With columns scene, method, status and `column`, and of those that tell a scene's stacks
        apart what there is.
    column : str
    higher_is_better : bool

    Returns
    -------
    DataFrame
        Index: scene, and what tells its stacks apart. Columns: methods.
    """
    values = _filled(rows, column, higher_is_better=higher_is_better)
    keys = ["scene", *(name for name in _STACK if name in rows)]
    index = [rows[name].astype(object).where(rows[name].notna(), "") for name in keys]
    table = values.groupby([*index, rows["method"]], sort=False).mean().unstack()
    return table.reindex(columns=list(dict.fromkeys(rows["method"])))


def advantages(table: pd.DataFrame, first: str, second: str, *, higher: bool) -> pd.Series:
    """Return by how much the first method is better than the second on each scene.

    Taken on each stack that both did, and averaged over the stacks of a scene.

    Parameters
    ----------
    table : DataFrame
        Of `by_stack`.
    first, second : str
        Methods.
    higher : bool
        Whether higher values are better.

    Returns
    -------
    Series
        By scene, in the column's unit; positive where the first is better.
    """
    sign = 1.0 if higher else -1.0
    apart = (sign * (table[first] - table[second])).dropna()
    mean: pd.Series = apart.groupby(level="scene", sort=False).mean()
    return mean


def _filled(rows: pd.DataFrame, column: str, *, higher_is_better: bool) -> pd.Series:
    """Return values, with the worst of its scene where a cell failed, NaN where it was skipped."""
    values = rows[column].where(rows["status"] == "ok").astype(float)
    of_scene = values.groupby(rows["scene"])
    worst = of_scene.transform("min") if higher_is_better else of_scene.transform("max")
    failed = ~rows["status"].isin(["ok", SKIPPED])
    filled: pd.Series = values.where(~failed, worst)
    return filled
