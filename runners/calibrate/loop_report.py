"""What closing the loop found, as a figure."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

#: The picture shows values from a quarter to four times the truth.
_REACH = 4.0
_INK, _SOFT, _BAND = "#1f5f8b", "#9db8cb", "#efe9dc"


def loop_figure(rows: pd.DataFrame, found: pd.DataFrame) -> Figure:
    """Draw every measured number, with its interval, as a share of the truth.

    Parameters
    ----------
    rows, found : DataFrame
        As `runners.calibrate.loop.close_loop` and `loop_summary` return them.
    """
    bursts = list(found["burst"].drop_duplicates())
    counts = [int((found["burst"] == burst).sum()) for burst in bursts]
    figure = Figure(figsize=(7.6, 0.62 * sum(counts) + 1.6), layout="constrained")
    panels = figure.subplots(len(bursts), 1, sharex=True, height_ratios=counts, squeeze=False)
    for axes, burst in zip(panels[:, 0], bursts, strict=True):
        _panel(axes, rows[rows["burst"] == burst], found[found["burst"] == burst])
        axes.set_title(f"burst {burst}", loc="left")
    panels[-1, 0].set_xlabel(
        "measured over true (lines: 95 % intervals; upright: median; band: allowed for the median)"
    )
    return figure


def _panel(axes: Axes, rows: pd.DataFrame, found: pd.DataFrame) -> None:
    for place, (_, line) in enumerate(found.iterrows()):
        group = rows[rows["number"] == line["number"]]
        seen = group[["value", "low", "high"]].to_numpy(dtype=float) / line["true"]
        heights = place + np.linspace(-0.32, 0.32, len(seen))
        shown = np.clip(seen, 1 / _REACH, _REACH)
        axes.hlines(heights, shown[:, 1], shown[:, 2], color=_SOFT, lw=1)
        axes.plot(shown[:, 0], heights, ".", color=_INK, ms=4)
        middle = 1 + line["off"]
        axes.plot([middle, middle], [place - 0.4, place + 0.4], color=_INK, lw=1.6)
        if np.isfinite(line["allowed"]):
            band = 1 - line["allowed"], 1 + line["allowed"]
            axes.fill_betweenx([place - 0.45, place + 0.45], *band, color=_BAND, lw=0, zorder=0)
    axes.axvline(1, color="#444444", lw=0.8, ls=":")
    labels = [
        f"{line['number']}\n{line['true']:.2g}, held {line['inside']} of {line['seeds']}"
        for _, line in found.iterrows()
    ]
    axes.set_yticks(range(len(found)), labels, fontsize=8)
    axes.set_ylim(len(found) - 0.4, -0.6)
    axes.set_xscale("log")
    axes.set_xlim(1 / _REACH, _REACH)
    axes.xaxis.set_major_locator(FixedLocator([0.25, 0.5, 0.8, 1, 1.25, 2, 4]))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
