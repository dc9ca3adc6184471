"""What reviewing rendered bursts found, as a figure."""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import PercentFormatter

from .trial import NOT_DRAWN

_INK, _MISSED = "#2f6690", "#c8442f"


def trial_figure(rows: pd.DataFrame, found: pd.DataFrame) -> Figure:
    """Draw recall and precision with their intervals, and every burst by what is true of it.

    Parameters
    ----------
    rows, found : DataFrame
        As `runners.review.trial.review_known` and `trial_summary` return them.
    """
    rows = rows[rows["verdict"] != NOT_DRAWN]
    figure = Figure(figsize=(8.6, 4.0), layout="constrained")
    left, right = figure.subplots(1, 2, width_ratios=(1, 1.3))
    for place, (_, line) in enumerate(found.iterrows()):
        left.plot([line["low"], line["high"]], [place, place], color=_INK, lw=2)
        left.plot(line["share"], place, "o", color=_INK)
    left.set_yticks(
        range(len(found)),
        [f"{line['of']}\n{line['hits']} of {line['tries']}" for _, line in found.iterrows()],
    )
    left.set_ylim(len(found) - 0.5, -0.5)
    left.set_xlim(0, 1.02)
    left.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    left.set_title("'gap here' (lines: 95 %)", loc="left", fontsize=10)
    verdicts = ["gap", "ends", "cannot tell", "enough", "refused"]
    for planted, ink, name in ((True, _MISSED, "frames left out"), (False, _INK, "all frames")):
        group = rows[rows["planted"] == planted]
        heights = [verdicts.index(str(one)) for one in group["verdict"]]
        jitter = [(0.12 if planted else -0.12) + 0.015 * (at % 5) for at in range(len(heights))]
        right.plot(
            100 * group["true_never"],
            [height + shift for height, shift in zip(heights, jitter, strict=True)],
            "o" if planted else "s",
            color=ink,
            ms=4,
            label=name,
        )
    right.set_yticks(range(len(verdicts)), verdicts)
    right.set_ylim(len(verdicts) - 0.5, -0.5)
    right.set_xlabel("of the picture truly never sharp, between the frames, %")
    right.xaxis.label.set_size(9)
    right.set_title("Verdict on each burst", loc="left", fontsize=10)
    right.legend(frameon=False, fontsize=8)
    right.grid(axis="x", color="#e5e5e5", lw=0.6)
    return figure
