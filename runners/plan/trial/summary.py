"""What a trial of plans says: whether promises hold, and whether a plan is ever worse than none."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import PercentFormatter
from scipy.special import ndtri

from ....ground.types import Doubles
from ..draw.forecast import share_interval
from ..show.plots import HOLD, MARK, SOFT

#: Promised chances are joined in bins: edges of them.
EDGES = (0.0, 0.02, 0.4, 0.6, 0.85, 0.93, 1.0)
#: How far kept and promised chance may lie apart in a bin.
ALLOWED = 0.03
#: A bin whose kept chance is less well known than this tells nothing (standard error).
_TOO_FEW = 0.015
#: Level of all intervals.
_LEVEL = 0.95


def calibration(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the calibration curve: kept against promised chance, in bins of the promise.

    Parameters
    ----------
    rows : DataFrame
        As `runners.plan.trial.trial.try_settings` returns them.

    Returns
    -------
    DataFrame
        ``low_edge``, ``high_edge``, ``settings``, ``tries``, ``promised`` and ``kept``, means over
        the settings; ``apart``, kept less promised, with ``low`` and ``high``, its 95 % interval,
        and ``verdict``: "holds" within three points, "broken" beyond, "too few" where the standard
        error of the difference is more than 1.5 points.

    Notes
    -----
    The interval counts the shoots alone, at the promised chances; what the promises themselves are
    off by from a finite number of drawn passes is far smaller.
    """
    bins = np.digitize(rows["promised"], EDGES[1:-1])
    found = []
    for one in range(len(EDGES) - 1):
        inside = rows[bins == one]
        if not inside.empty:
            found.append({"low_edge": EDGES[one], "high_edge": EDGES[one + 1], **_bin(inside)})
    return pd.DataFrame(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class AgainstNone:
    """The advised way against the unplanned pass, over all settings.

    Parameters
    ----------
    settings, better, equal, worse : int
        Worse, or better: beyond what luck explains, all settings taken together.
    gain, low, high : float
        Mean gain in chance over the settings, and its 95 % interval over them.
    least, least_error : float
        Of the setting with the smallest gain, with its standard error.
    """

    settings: int
    better: int
    equal: int
    worse: int
    gain: float
    low: float
    high: float
    least: float
    least_error: float


def comparison(rows: pd.DataFrame) -> AgainstNone:
    """Return how the advised way compares with the unplanned pass."""
    gain, error = (rows[name].to_numpy(dtype=float) for name in ("gain", "gain_error"))
    # So that all settings together cry wolf once in twenty trials (Bonferroni).
    beyond = -float(ndtri((1 - _LEVEL) / 2 / len(rows))) * error + 1e-9
    mean = float(gain.mean())
    half = 1.96 * float(gain.std(ddof=1)) / sqrt(len(gain)) if len(gain) > 1 else float("nan")
    least = int(gain.argmin())
    worse, better = gain < -beyond, gain > beyond
    return AgainstNone(
        settings=len(rows),
        better=int(better.sum()),
        equal=int((~worse & ~better).sum()),
        worse=int(worse.sum()),
        gain=mean,
        low=mean - half,
        high=mean + half,
        least=float(gain[least]),
        least_error=float(error[least]),
    )


def trial_words(rows: pd.DataFrame) -> list[str]:
    """Return what a trial says, line by line, and what in it is a failure."""
    curve, against = calibration(rows), comparison(rows)
    lines = [
        "promised       settings  tries  promised   kept   apart (95 % interval)     verdict",
        *(_line(row) for row in curve.to_dict("records")),
        "",
        f"advised against unplanned, {against.settings} settings, paired: {against.better} better, "
        f"{against.equal} equal, {against.worse} worse",
        f"mean gain {100 * against.gain:.1f} points "
        f"({100 * against.low:.1f} to {100 * against.high:.1f}), the least "
        f"{100 * against.least:.1f} with a standard error of {100 * against.least_error:.1f}",
    ]
    return [*lines, *(f"FAILED: {why}" for why in failures(rows))]


def failures(rows: pd.DataFrame) -> list[str]:
    """Return which promises are broken; a failure is one of two things.

    A bin of the calibration curve in which kept and promised chance lie more than three points
    apart; or a setting in which the advised way covers all less often than the unplanned pass, by
    more than luck explains.
    """
    broken = calibration(rows).query("verdict == 'broken'")
    told = [
        f"promises from {one['low_edge']:.0%} to {one['high_edge']:.0%} are kept in "
        f"{one['kept']:.1%}, {100 * one['apart']:+.1f} points"
        for one in broken.to_dict("records")
    ]
    worse = comparison(rows).worse
    return [*told, *([f"the plan is worse than none in {worse} settings"] if worse else [])]


def trial_figure(rows: pd.DataFrame) -> Figure:
    """Draw the calibration curve, every setting as a dot, and the gain over no plan."""
    curve = calibration(rows)
    figure = Figure(figsize=(8.8, 4.4), layout="constrained")
    left, right = figure.subplots(1, 2)
    ends = np.array([0.0, 1.0])
    left.fill_between(ends, ends - ALLOWED, ends + ALLOWED, color=SOFT, alpha=0.25, lw=0)
    left.plot(rows["promised"], rows["kept"] / rows["tries"], ".", color=HOLD, ms=4, alpha=0.4)
    reach = np.array([curve["apart"] - curve["low"], curve["high"] - curve["apart"]])
    left.errorbar(curve["promised"], curve["kept"], yerr=reach, fmt="o-", color=MARK, ms=5)
    left.set_xlabel("promised chance that nothing is missed")
    left.set_ylabel("kept by shoots of the simulator")
    left.set_title("Calibration (band: 3 points; bars: 95 %)", loc="left", fontsize=10)
    right.plot(ends, ends, color=SOFT, lw=1)
    both = rows["unplanned"] + rows["gain"]
    right.plot(rows["unplanned"], both, "o", color=HOLD, ms=4, alpha=0.5)
    right.set_xlabel("chance without a plan")
    right.set_ylabel("as advised")
    right.set_title("A plan against none, the same errors", loc="left", fontsize=10)
    for axes in (left, right):
        axes.set_xlim(-0.02, 1.02)
        axes.set_ylim(-0.02, 1.05)
        axes.set_aspect("equal")
        axes.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
        axes.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    return figure


def _bin(inside: pd.DataFrame) -> dict[str, object]:
    tries = int(inside["tries"].sum())
    promised = inside["promised"].to_numpy(dtype=float)
    shares = (inside["kept"] / inside["tries"]).to_numpy(dtype=float)
    apart = float((shares - promised).mean())
    error = _error(promised, inside["tries"])
    low, high = _reach(inside, apart, error)
    verdict = "too few" if error > _TOO_FEW else "holds" if abs(apart) <= ALLOWED else "broken"
    return {
        "settings": len(inside),
        "tries": tries,
        "promised": float(promised.mean()),
        "kept": float(shares.mean()),
        "apart": apart,
        "low": low,
        "high": high,
        "verdict": verdict,
    }


def _error(promised: Doubles, tries: Iterable[int]) -> float:
    """Return the standard error of the mean kept share, if all promises are true."""
    variance = promised * (1 - promised) / np.asarray(tries, dtype=float)
    return float(np.sqrt(variance.sum())) / len(promised)


def _reach(inside: pd.DataFrame, apart: float, error: float) -> tuple[float, float]:
    if error > 0:
        return apart - 1.96 * error, apart + 1.96 * error
    # All promises are never or always: the exact interval of the shoots' share.
    low, high = share_interval(int(inside["kept"].sum()), int(inside["tries"].sum()))
    promised = float(inside["promised"].mean())
    return low - promised, high - promised


def _line(row: Mapping[Hashable, Any]) -> str:
    low, high = (f"{row[end]:.0%}" for end in ("low_edge", "high_edge"))
    return (
        f"{low:>5} to {high:>4}  {row['settings']:>8}  {row['tries']:>5}  {row['promised']:>8.1%}  "
        f"{row['kept']:>5.1%}  {100 * row['apart']:+5.1f} "
        f"({100 * row['low']:+.1f} to {100 * row['high']:+.1f})"
        f"  {row['verdict']:>12}"
    )
