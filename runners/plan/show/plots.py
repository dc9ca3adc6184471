"""Plots of a plan: chance over frames, and depth lanes."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator, PercentFormatter

from ..advise.advice import Plan
from ..advise.search import MOST_IN_ALL
from ..draw.forecast import share_interval
from .curves import ChanceCurve, Lanes, chance_curves, stretches, typical_lanes
from .words import many, percent

#: Colours of different lightness, so that colour-blind people can tell them apart.
INK, SOFT, HOLD, LOST, GAP, MARK = "#222222", "#8a8a8a", "#2f6690", "#bdbdbd", "#c8442f", "#d98c1f"
#: Width of a figure, inches: small, so that its letters can be read on a phone.
INCHES = 5.4
_PASSES_INK = ("#7fb3d5", "#2f6690", "#173753", "#000000")


def coverage_figure(plan: Plan) -> Figure:
    """Draw chance of no gap and share covered against the number of frames."""
    most = max(2 * plan.advised.way.total_frames, plan.unplanned.way.total_frames) + 10
    counts = [1]
    if plan.setting.goal.handheld:
        most = min(MOST_IN_ALL, most)
        counts = sorted({1, 2, plan.advised.way.passes})
    curves = chance_curves(plan, most=most, pass_counts=counts)
    figure = Figure(figsize=(INCHES, 5.6), layout="constrained")
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(1.4, 1))
    for curve, ink in zip(curves, _PASSES_INK, strict=False):
        name = "one pass" if curve.passes == 1 else many(curve.passes, "pass")
        upper.plot(curve.frames, curve.chance, "-o", color=ink, ms=3, label=name)
        low, high = np.array([_interval(curve, chance) for chance in curve.chance]).T
        upper.fill_between(curve.frames, low, high, color=ink, alpha=0.15, lw=0)
        lower.plot(curve.frames, curve.share, "-o", color=ink, ms=3)
    _mark(upper, plan, "chance")
    _mark(lower, plan, "share")
    upper.axhline(plan.setting.chance, color=SOFT, lw=0.8, ls=":")
    upper.legend(loc="best", frameon=False)
    upper.set_ylabel("chance of no gap")
    lower.set_ylabel("depth covered, on average")
    lower.set_xlabel("frames in all")
    lower.set_xlim(0, most)
    lower.xaxis.set_major_locator(MaxNLocator(integer=True))
    upper.set_title("How many frames it takes (bands: 95 %)", loc="left")
    return figure


def lanes_figure(plan: Plan) -> Figure:
    """Draw which frame holds which depth, unplanned and as advised, in a typical try."""
    figure = Figure(figsize=(INCHES, 4.4), layout="constrained")
    left, right = figure.subplots(1, 2, sharey=True, width_ratios=(1, 2))
    depth_mm = plan.setting.depth_mm
    for axes, way, name in (
        (left, plan.unplanned.way, "unplanned"),
        (right, plan.advised.way, "best found" if plan.verdict == "not this way" else "as advised"),
    ):
        lanes = typical_lanes(plan, way)
        draw_lanes(axes, lanes, depth_mm)
        axes.set_title(f"{name},\n{percent(lanes.share)} held", loc="left", fontsize=10)
    left.set_ylabel("depth behind the nearest point, mm")
    figure.supxlabel(
        "frame, in the order of shooting\nlast column: held (blue), missed (red)",
        fontsize=10,
    )
    margin_mm = 0.12 * depth_mm + plan.setting.lane.total_mm / 2
    left.set_ylim(depth_mm + margin_mm, -margin_mm)
    return figure


def draw_lanes(axes: Axes, lanes: Lanes, depth_mm: float) -> None:
    """Draw the lanes of one try, near at the top; the last column is what they hold and miss.

    The lane of a frame that does not count is grey.
    """
    frames = len(lanes.usable)
    places = np.arange(1, frames + 1)
    axes.axhspan(0, depth_mm, color="#f3efe6", lw=0, zorder=0)
    for keep, ink in ((~lanes.usable, LOST), (lanes.usable, HOLD)):
        axes.bar(
            places[keep],
            (lanes.far_mm - lanes.near_mm)[keep],
            bottom=lanes.near_mm[keep],
            width=0.8,
            color=ink,
            lw=0,
        )
    wide = max(0.04 * frames, 0.4)
    for near, far, held in stretches(lanes, depth_mm):
        axes.bar(
            frames + 1 + wide, far - near, bottom=near, width=wide, color=HOLD if held else GAP
        )
    for first in lanes.later_passes:
        axes.axvline(first + 0.5, color=SOFT, lw=0.8)
    axes.set_xlim(0.3, frames + 1 + 2 * wide)
    # The last column is not a frame and gets no number.
    ticks = MaxNLocator(5, integer=True).tick_values(1, frames)
    axes.set_xticks([tick for tick in ticks if 1 <= tick <= frames])


def _interval(curve: ChanceCurve, chance: float) -> tuple[float, float]:
    return share_interval(round(chance * curve.tries), curve.tries)


def _mark(axes: Axes, plan: Plan, what: str) -> None:
    for forecast, ink, name in (
        (plan.unplanned, GAP, "unplanned"),
        (plan.advised, MARK, "best found" if plan.verdict == "not this way" else "recommended"),
    ):
        axes.plot(forecast.way.total_frames, getattr(forecast, what), "D", color=ink, label=name)
    axes.set_ylim(-0.03, 1.03)
    axes.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    axes.grid(axis="y", color="#e5e5e5", lw=0.6)
