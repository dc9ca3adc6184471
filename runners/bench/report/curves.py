"""Plots of the page: results over the severity of a condition."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from ...figures import plain_text
from ..grid.cells import PLAIN
from ..grid.conditions import FACTORS
from ..grid.suite import Ladder
from .tables import MAIN

#: Lines differ without colour, too.
_MARKERS = "osD^vPX*<>ph"
_LINES = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (5, 1, 1, 1)))
_COLOURS = mpl.colormaps["tab20"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """A plot as base64 of a PNG, with words for those who can't see it."""

    heading: str
    data: str
    words: str


@plain_text()
def curves(rows: pd.DataFrame, ladders: Sequence[Ladder] = ()) -> list[Plot]:
    """Return a plot for each condition: results over its severity.

    Parameters
    ----------
    rows : DataFrame
    ladders : sequence of Ladder
        They say which conditions were shot in another way than the plain stacks.
    """
    own_way = {ladder.factor: _own_way(ladder) for ladder in ladders}
    made = []
    for condition in dict.fromkeys(rows["condition"]):
        if condition == PLAIN:
            continue
        part = _even(rows[rows["condition"] == condition])
        part = part[part["status"] == "ok"]
        if part.empty:
            continue
        unit = FACTORS[condition].unit
        scenes = part["scene"].unique()
        over = f"on {scenes[0]}" if len(scenes) == 1 else f"mean over {len(scenes)} scenes"
        words = (
            f"Signal-to-noise ratio against the ideal over {condition.replace('-', ' ')} ({unit}), "
            f"{over}; dashed: the capture limit, what the frames allow.{own_way.get(condition, '')}"
        )
        made.append(Plot(heading=condition.replace("-", " "), data=_curve(part, unit), words=words))
    return made


def _own_way(ladder: Ladder) -> str:
    ways = [] if ladder.light is None else [f"in the light {ladder.light}"]
    ways += [] if ladder.bin is None else [f"with {ladder.bin} x {ladder.bin} real pixels to one"]
    return f" Shot {' and '.join(ways)}, unlike the plain stacks." if ways else ""


def _even(part: pd.DataFrame) -> pd.DataFrame:
    """Leave out values that are not done on all scenes: means over other scenes mislead."""
    cells = part.groupby("value")["method"].transform("size")
    return part[cells == cells.max()]


def _curve(part: pd.DataFrame, unit: str) -> str:
    figure = Figure(figsize=(8, 3.8), layout="constrained")
    axes = figure.subplots()
    stances = list(dict.fromkeys(part["stance"])) if "stance" in part else [None]
    for number, name in enumerate(dict.fromkeys(part["method"])):
        for place, stance in enumerate(stances):
            chosen = part["method"] == name
            chosen &= part["stance"] == stance if stance is not None else True
            own = part[chosen].groupby("value")[MAIN].mean()
            # Methods may lie on each other: open markers let the lower one show. A colour is a
            # method, a way of drawing the line a stance.
            axes.plot(
                own.index,
                own.to_numpy(float),
                color=_COLOURS(number % _COLOURS.N),
                linestyle=_LINES[place % len(_LINES)],
                marker=_MARKERS[number % len(_MARKERS)],
                markerfacecolor="none",
                label=name if len(stances) == 1 else f"{name}, {stance}",
            )
    allowed = part.groupby("value")["capture.psnr_db"].max()
    axes.plot(allowed.index, allowed.to_numpy(float), "k--", label="capture limit")
    # A ladder of doublings is read by its ratios.
    if np.ptp(np.log10(part["value"].to_numpy(float))) > 0.7:
        axes.set_xscale("log")
        axes.set_xticks(sorted(set(part["value"])), minor=False)
        axes.set_xticks([], minor=True)
        axes.set_xticklabels([f"{value:g}" for value in sorted(set(part["value"]))])
    axes.set(xlabel=unit, ylabel="dB against the ideal")
    axes.grid(alpha=0.3)
    # Beside the lines, where it hides none of them.
    axes.legend(fontsize="small", loc="upper left", bbox_to_anchor=(1, 1), frameon=False)
    file = io.BytesIO()
    figure.savefig(file, format="png", dpi=110)
    return base64.b64encode(file.getvalue()).decode()
