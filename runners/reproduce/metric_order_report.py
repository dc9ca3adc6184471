"""What `metric-order` tells: sentences from its tables, and how the order turns as a picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from .printed import PUBLISHED
from .report import figure, save

Row = Mapping[str, Any]
#: Where most of the published merges lie, dB.
_BAND_DB = (38.0, 42.0)


def paragraphs(
    orders: Sequence[Row],
    metrics: Sequence[Row],
    pool: Sequence[Row],
    *,
    tried: int,
    by_truth: tuple[int, int],
) -> list[str]:
    """Return the account: protocol, pool, orders, and what turns them."""
    return [
        _protocol(orders, metrics, tried, by_truth),
        _pool(pool),
        _orders(orders),
        turns(orders),
        _nearest(metrics),
        (
            "What could not be had: the published pairs and merges themselves, many of which were "
            "made by networks that learnt; ours are of the literature before them. Two of the "
            "published metrics (VIF for fusion, feature mutual information) are not tried. Some "
            "constants of formulae are from memory; where the code of the published scores departs "
            "from the formulae, that was not followed."
        ),
    ]


def _protocol(
    orders: Sequence[Row], metrics: Sequence[Row], tried: int, by_truth: tuple[int, int]
) -> str:
    return (
        f"Windows of natural content at real pixels that have two depths: {tried} scenes were "
        f"tried, {metrics[0]['windows']} kept, of {orders[0]['families']} families. Two frames are "
        "focused on the two depths and share one view; the truth is the view all in focus. A "
        "window is kept where the best choice between the two frames comes about as near to the "
        "truth as the published merges do. Each metric, by its printed formula, ranks the merges "
        "by the frames; Kendall's tau with the order by PSNR is taken window by window, as in the "
        "published scores. Then one thing at a time is changed. Of hand-held stacks "
        f"{by_truth[0]} of {by_truth[1]} could not be laid together from the pictures and were by "
        "their true motion."
    )


def _pool(pool: Sequence[Row]) -> str:
    first = [row for row in pool if row["shots"] == pool[0]["shots"]]
    good = [row["psnr_db"] for row in first if row["kind"] == "pool"]
    every = [row["psnr_db"] for row in first]
    low, high = _BAND_DB
    inside = sum(low <= value <= high for value in good)
    return (
        f"The pool: {len(good)} merges, their mean PSNR {min(good):.1f} to {max(good):.1f} dB, "
        f"{inside} of them from {low:g} to {high:g} dB (published: 30 merges, 27 from 38.3 to 41.7 "
        f"dB, one at 35.4, 30.5 and 25.7). With floors and merges made worse {min(every):.1f} to "
        f"{max(every):.1f} dB."
    )


def _value(row: Row, name: str) -> str:
    return f"{row[name]:.2f} [{row[name + '_low']:.2f}, {row[name + '_high']:.2f}]"


def _orders(orders: Sequence[Row]) -> str:
    listed = "; ".join(f"{row['case']} {_value(row, 'published')}" for row in orders)
    return (
        "Kendall's tau of the order of the metrics with the published order, with the middle 95 % "
        f"of resampled families: {listed}. Like orders give 1, unrelated ones 0."
    )


def turns(orders: Sequence[Row]) -> str:
    """Name the changes that turn the order of the metrics, by their intervals alone."""
    first, *rest = orders
    away = [row for row in rest if row["change_high"] < 0.0]
    toward = [row for row in rest if row["change_low"] > 0.0]
    neither = [row for row in rest if row not in away and row not in toward]
    parts = []
    for head, rows in (("Away from the published order", away), ("Toward it", toward)):
        listed = ", ".join(f"{row['case']} ({row['change']:+.2f})" for row in rows) or "nothing"
        parts.append(f"{head} turns: {listed}.")
    listed = ", ".join(row["case"] for row in neither) or "nothing"
    parts.append(f"No turn that the interval tells from none: {listed}.")
    most = max(rest, key=lambda row: row["moved"])
    parts.append(
        f"By how much the metrics' taus move against {first['case']} (root mean square): "
        + ", ".join(f"{row['case']} {_value(row, 'moved')}" for row in rest)
        + f". Most by: {most['case']}."
    )
    return " ".join(parts)


def _nearest(metrics: Sequence[Row]) -> str:
    first = [row for row in metrics if row["case"] == metrics[0]["case"]]
    order = sorted(first, key=lambda row: -row["tau"])
    listed = ", ".join(
        f"{row['metric']} {row['tau']:.2f} [{row['low']:.2f}, {row['high']:.2f}] (published "
        f"{row['published']:.2f})"
        for row in order
    )
    return f"Tau of each metric with PSNR, {first[0]['case']}: {listed}."


def draw(path: Path, metrics: Sequence[Row], orders: Sequence[Row]) -> None:
    """Draw every metric's tau from case to case beside the published, and the orders' tau."""
    names = sorted(PUBLISHED, key=lambda name: -PUBLISHED[name])
    cases = [str(row["case"]) for row in orders]
    found = {(row["case"], row["metric"]): row["tau"] for row in metrics}
    columns = [[PUBLISHED[name] for name in names]]
    columns += [[found[case, name] for name in names] for case in cases]
    sheet, (left, right) = figure(13.0, 6.2, 1, 2)
    shown = left.imshow(np.array(columns).T, cmap="RdBu_r", vmin=-1, vmax=1, aspect="auto")
    left.set_xticks(range(len(cases) + 1), ["published", *cases], rotation=40, ha="right")
    left.set_yticks(range(len(names)), names)
    left.grid(visible=False)
    for column, values in enumerate(columns):
        for row, value in enumerate(values):
            shade = "white" if abs(value) > 0.6 else "black"
            left.text(
                column, row, f"{value:.2f}", ha="center", va="center", fontsize=7, color=shade
            )
    left.axvline(0.5, color="0.2", linewidth=2)
    left.set_title("Kendall's tau of each metric with PSNR", loc="left", fontsize=10)
    sheet.colorbar(shown, ax=left, shrink=0.6, label="tau")
    place = np.arange(len(cases))[::-1]
    middle = np.array([row["published"] for row in orders])
    low = middle - [row["published_low"] for row in orders]
    high = [row["published_high"] for row in orders] - middle
    bars = np.maximum([low, high], 0.0)
    right.errorbar(middle, place, xerr=bars, fmt="o", color="#0072B2", capsize=3)
    right.axvline(0.0, color="0.4", linewidth=0.8)
    right.axvline(0.7, color="0.4", linewidth=0.8, linestyle=":")
    right.set_yticks(place, cases)
    right.set(xlim=(-1, 1), xlabel="tau with the published order (dotted: 0.7)")
    right.set_title("Order of the metrics, 95 % of resampled families", loc="left", fontsize=10)
    save(sheet, path)
