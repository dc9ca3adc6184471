"""The study in a table, in words and in pictures."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator, PercentFormatter
from scipy.special import stdtrit

from ....ground.types import Doubles
from ..show.plots import GAP, HOLD, MARK, SOFT
from ..show.words import TextTable, percent
from .study import Study

#: What is averaged over the seeds: column of the rows, and its name in the summary.
MEASURES = {
    "capture.psnr_db": "capture_db",
    "total.psnr_db": "merged_db",
    "merge_loss_db": "merge_loss_db",
    "never_share": "never_share",
}
_FEWEST_STEPS = 2
_FEWEST_SEEDS = 3
_INK = {"on a support": HOLD, "handheld": MARK}


def summary(rows: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """Return mean and interval over the seeds, one row for each way of shooting.

    Parameters
    ----------
    rows : DataFrame
        As `runners.plan.study.study.run_study` returns them.
    level : float
        Of the intervals, by Student's t over the seeds; NaN with fewer than three. That of a share
        is cut at 0 and 1.

    Returns
    -------
    DataFrame
        ``part``, ``name``, ``step_share``, ``seeds``, ``failed``, ``frames``,
        ``predicted_never_share`` and, for every measure, its mean, ``_low``, ``_high`` and
        ``_all``, one value a seed.
    """
    way = rows["step_share"].where(rows["part"] == "step", 0.0).round(2)
    found = []
    for (part, name, _), group in rows.groupby([rows["part"], rows["name"], way], sort=False):
        done = group[group["status"] == "ok"]
        row = {
            "part": part,
            "name": name,
            "step_share": float(group["step_share"].mean()),
            "seeds": len(group),
            "failed": len(group) - len(done),
            "frames": float(group["frames"].mean()),
            "predicted_never_share": float(group["predicted_never_share"].mean()),
        }
        for column, short in MEASURES.items():
            values = (group if short == "never_share" else done).get(column, pd.Series(dtype=float))
            mean, low, high = mean_interval(values.to_numpy(dtype=float), level=level)
            if short == "never_share":
                low, high = np.maximum(low, 0.0), np.minimum(high, 1.0)
            row |= {short: mean, f"{short}_low": float(low), f"{short}_high": float(high)}
            row[f"{short}_all"] = tuple(values)
        found.append(row)
    return pd.DataFrame(found)


def study_words(found: pd.DataFrame, *, loss_db: float = 1.0) -> list[str]:
    """Return what the study shows, in sentences.

    Parameters
    ----------
    found : DataFrame
        As `summary` returns it.
    loss_db : float
        A merged picture is worse than the best of its series if it lies this far below it.
    """
    said = []
    for name, group in found[found["part"] == "step"].groupby("name", sort=False):
        done = group.dropna(subset=["merged_db"]).sort_values("step_share")
        if len(done) < _FEWEST_STEPS:
            continue
        best = done.loc[done["merged_db"].idxmax()]
        lost = done["merge_loss_db"]
        merge = f"the merge itself costs {lost.min():.1f} to {lost.max():.1f} dB."
        if (best["merged_db_high"] - best["merged_db_low"]) / 2 > loss_db:
            said.append(f"{str(name).capitalize()}, {_by_luck(done)}; {merge}")
            continue
        good = done[done["merged_db"] >= best["merged_db"] - loss_db]
        said.append(
            f"{str(name).capitalize()}, merged pictures stay within {loss_db:g} dB of the best of "
            f"{best['merged_db']:.1f} dB up to a step of {good['step_share'].max():.2g} of the "
            f"depth of field; {merge}"
        )
    ways = {str(row["name"]): row for row in found.to_dict("records") if row["part"] == "plan"}
    bare = ways.pop("unplanned", None)
    said += [_against(bare, row) for row in ways.values() if bare and np.isfinite(row["merged_db"])]
    return said


def _by_luck(done: pd.DataFrame) -> str:
    """Return what can be said where shoots of one step differ more than the steps do."""
    low, high = done["merged_db"].min(), done["merged_db"].max()
    spread = max(done["merged_db_all"], key=np.ptp)
    return (
        f"luck counts for more than the step: means over the shoots go from {low:.1f} to "
        f"{high:.1f} dB, single shoots of one step from {min(spread):.1f} to {max(spread):.1f} dB"
    )


def _against(bare: Mapping[Hashable, Any], row: Mapping[Hashable, Any]) -> str:
    """Return a planned way beside the unplanned one, in a sentence."""
    shot, bad = percent(row["never_share"]), percent(bare["never_share"])
    return (
        f"{str(row['name']).capitalize()}: {row['frames']:.0f} frames leave {shot} of the picture "
        f"never sharp and merge to {row['merged_db']:.1f} dB; unplanned, {bare['frames']:.0f} "
        f"frames leave {bad} and merge to {bare['merged_db']:.1f} dB."
    )


def study_title(study: Study) -> str:
    """Return the study in a line."""
    setup = study.setup
    width, height = (size // setup.bin for size in setup.crop)
    return f"{setup.scene.name}, merged by {setup.method}, {width}x{height} pixels"


def study_pictures(study: Study, found: pd.DataFrame) -> dict[str, tuple[Figure, str]]:
    """Return the figures of a study with their captions, by file name."""
    title, pictures = study_title(study), {}
    if (found["part"] == "step").any():
        pictures["steps.png"] = (
            step_figure(found, title=title),
            "What the step does to the picture (bars: 95 % over the seeds).",
        )
    if (found["part"] == "plan").any():
        pictures["ways.png"] = (
            ways_figure(found, title=title),
            "The plan's best ways and the unplanned one, rendered and merged.",
        )
    return pictures


def mean_interval(values: Doubles, *, level: float = 0.95) -> tuple[float, float, float]:
    """Return the mean of some values and its interval by Student's t; NaN where there is none.

    Two values give none: it would be twelve times as wide as they are apart.
    """
    count = values.size
    if count == 0:
        return float("nan"), float("nan"), float("nan")
    mean = float(values.mean())
    if count < _FEWEST_SEEDS:
        return mean, float("nan"), float("nan")
    half = float(stdtrit(count - 1, (1 + level) / 2) * values.std(ddof=1) / np.sqrt(count))
    return mean, mean - half, mean + half


def study_table(found: pd.DataFrame) -> TextTable:
    """Return the summary as a table in words."""
    rows = tuple(
        (
            str(row["name"]),
            f"{row['step_share']:.2f}",
            f"{row['frames']:.0f}",
            _db(row, "capture_db"),
            _db(row, "merged_db"),
            _db(row, "merge_loss_db"),
            f"{percent(row['never_share'])} ({percent(row['predicted_never_share'])})",
        )
        for _, row in found.iterrows()
    )
    return TextTable(
        heading="Rendered and merged: how close to the ideal picture, PSNR with 95 % intervals",
        columns=(
            "way",
            "step / depth of field",
            "frames",
            "capture limit",
            "merged",
            "lost in the merge",
            "never sharp (planned)",
        ),
        rows=rows,
        note="Capture limit: each point from the frame that shows it sharpest. Merged: by the "
        "method. The step does harm where the capture limit falls; the method where the merged "
        "picture stays below it.",
    )


def step_figure(found: pd.DataFrame, *, title: str) -> Figure:
    """Draw capture, merge loss and the share never sharp against the step."""
    steps = found[found["part"] == "step"]
    figure = Figure(figsize=(8.8, 8.4), layout="constrained")
    upper, middle, lower = figure.subplots(3, 1, sharex=True, height_ratios=(1.5, 1, 1))
    for name, group in steps.sort_values("step_share").groupby("name", sort=False):
        ink = _INK.get(str(name), GAP)
        _line(upper, group, "capture_db", ink=ink, label=f"{name}: capture limit")
        _line(upper, group, "merged_db", ink=ink, style="--", label=f"{name}: merged")
        _line(middle, group, "merge_loss_db", ink=ink, label=str(name))
        _line(lower, group, "never_share", ink=ink, label=f"{name}: rendered")
        lower.plot(
            group["step_share"],
            group["predicted_never_share"],
            "x",
            color=ink,
            label=f"{name}: planned",
        )
    upper.set_title(title, loc="left")
    upper.set_ylabel("PSNR against the ideal, dB\n(higher is better)")
    middle.set_ylabel("lost in the merge, dB\n(lower is better)")
    lower.set_ylabel("picture never sharp")
    lower.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    lower.set_xlabel("step over depth of field (grey: half to 80 %, common practice)")
    for axes in (upper, middle, lower):
        axes.axvspan(0.5, 0.8, color="#eeeeee", lw=0, zorder=0)
        axes.set_xscale("log")
        axes.xaxis.set_major_locator(FixedLocator([0.3, 0.5, 0.8, 1, 1.5, 2, 3]))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    lower.set_ylim(-0.05, 1.05)
    upper.legend(frameon=False, fontsize=8, loc="center left", bbox_to_anchor=(1.0, 0.5))
    lower.legend(frameon=False, fontsize=8, loc="center left", bbox_to_anchor=(1.0, 0.5))
    return figure


def ways_figure(found: pd.DataFrame, *, title: str) -> Figure:
    """Draw what the plan's ways and the unplanned one give."""
    ways = found[found["part"] == "plan"]
    figure = Figure(figsize=(7.2, 4.2), layout="constrained")
    axes = figure.subplots()
    places = np.arange(len(ways))
    for offset, measure, ink, name in (
        (-0.2, "capture_db", HOLD, "capture limit of these frames"),
        (0.2, "merged_db", MARK, "merged"),
    ):
        axes.bar(
            places + offset,
            ways[measure],
            width=0.38,
            yerr=_reach(ways, measure),
            color=ink,
            ecolor=SOFT,
            capsize=3,
            label=name,
        )
        _dots(axes, ways, measure, places=(places + offset).astype(np.float64), ink=SOFT)
    labels = [
        f"{name}\n{frames:.0f} frames,\n{percent(never)} never sharp"
        for name, frames, never in zip(
            ways["name"], ways["frames"], ways["never_share"], strict=True
        )
    ]
    axes.set_xticks(places, labels, fontsize=8)
    lowest = float(ways[["capture_db", "merged_db"]].min().min())
    axes.set_ylim(bottom=max(0.0, np.floor(lowest / 5) * 5 - 5))
    axes.set_ylabel("PSNR against the ideal, dB")
    axes.set_title(title, loc="left")
    axes.legend(frameon=False, fontsize=8, loc="upper left")
    return figure


def _line(
    axes: Axes, group: pd.DataFrame, measure: str, *, ink: str, label: str, style: str = "-"
) -> None:
    axes.errorbar(
        group["step_share"],
        group[measure],
        yerr=_reach(group, measure),
        fmt=f"o{style}",
        ms=4,
        color=ink,
        capsize=2,
        lw=1.4,
        label=label,
    )
    _dots(axes, group, measure, places=group["step_share"].to_numpy(dtype=float), ink=ink)


def _dots(axes: Axes, group: pd.DataFrame, measure: str, *, places: Doubles, ink: str) -> None:
    """Draw every stack as a small dot."""
    for place, values in zip(places, group[f"{measure}_all"], strict=True):
        axes.plot([place] * len(values), values, ".", ms=3, color=ink, alpha=0.6)


def _reach(group: pd.DataFrame, measure: str) -> tuple[Doubles, Doubles] | None:
    """Return how far the intervals reach down and up; None without intervals."""
    down = (group[measure] - group[f"{measure}_low"]).to_numpy(dtype=float)
    up = (group[f"{measure}_high"] - group[measure]).to_numpy(dtype=float)
    return None if np.isnan(down).all() else (np.nan_to_num(down), np.nan_to_num(up))


def _db(row: pd.Series, measure: str) -> str:
    mean, low, high = (float(row[f"{measure}{end}"]) for end in ("", "_low", "_high"))
    if np.isnan(mean):
        return "failed"
    return f"{mean:.1f} dB" if np.isnan(low) else f"{mean:.1f} dB ({low:.1f} to {high:.1f})"
