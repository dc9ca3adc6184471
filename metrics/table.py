"""Scores as rows of a table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from .image.regions import EVERYWHERE
from .registry import metric

Scores = Mapping[str, Mapping[str, float]]


def long_rows(scores: Scores, **labels: object) -> list[dict[str, Any]]:
    """One row per region and metric.

    Parameters
    ----------
    scores : mapping
        ``scores[region][metric]``, as `score_image` and `score_depth` give them.
    **labels
        Columns put before the others in every row, such as ``method='mean'``.

    Returns
    -------
    list of dict
        Labels, then region, metric, value, unit, direction, status. The status is 'ok' or says why
        the value is NaN.
    """
    return [
        {
            **labels,
            "region": region,
            "metric": name,
            "value": value,
            "unit": metric(name).unit,
            "direction": metric(name).direction,
            "status": metric(name).status(value),
        }
        for region, values in scores.items()
        for name, value in values.items()
    ]


def wide_row(scores: Scores, *, prefix: str = "", **labels: object) -> dict[str, Any]:
    """All scores in one flat row.

    A column is called ``psnr_db`` for the whole valid picture and ``psnr_db.fibres`` for a region.

    Parameters
    ----------
    scores : mapping
        ``scores[region][metric]``.
    prefix : str
        Put before every metric's name, such as ``total.``.
    **labels
        Columns put before the scores.
    """
    row: dict[str, Any] = dict(labels)
    for region, values in scores.items():
        suffix = "" if region == EVERYWHERE else f".{region}"
        row.update({f"{prefix}{name}{suffix}": value for name, value in values.items()})
    return row
