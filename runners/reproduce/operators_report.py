"""The account of reproduction `sff-operators-2013`: tables, figure and paragraphs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes

from ...metrics.focus import MEASURES
from . import published
from .ledger import Claim, Exclusion, counted, told_exclusions
from .operators_claims import Qualities, SweepLike, mean_of
from .report import COLOURS, MARKERS, figure, save

_AXES = {
    "window": "window (pixels)",
    "noise": "noise (grey levels of 255)",
    "contrast": "contrast kept",
    "saturation": "lift (share of white)",
}
_NAMES = {"sta": "statistics", "lap": "Laplacian", "gra": "Tenengrad variance", "wav": "wavelet"}


def operator_rows(
    overall: Qualities, quality: Qualities, speed: Mapping[str, float]
) -> list[dict[str, object]]:
    """Return the full list: every operator, published and ours."""
    order = sorted(MEASURES, key=lambda code: -mean_of(quality, code))
    rows: list[dict[str, object]] = []
    for rank, code in enumerate(order, start=1):
        row: dict[str, object] = {
            "operator": code,
            "title": MEASURES[code].title,
            "our_rank": rank,
            "our_quality": mean_of(quality, code),
            "our_rmse_mm": mean_of(overall, code),
        }
        for group, table in published.OVERALL.items():
            row[f"published_{group}"] = table.get(code, "")
        row["in_correlation"] = "no" if code in published.NOT_REPRODUCIBLE else "yes"
        row["our_ms_640x480"] = speed[code]
        row["published_ms_2012"] = published.MILLISECONDS.get(code, "")
        rows.append(row)
    return rows


def sweep_rows(sweeps: Mapping[str, SweepLike]) -> list[dict[str, object]]:
    """One row a disturbance, level and operator."""
    return [
        {
            "disturbance": name,
            "level": level,
            "operator": code,
            "our_quality": quality[code],
            "our_rmse_mm": float(np.mean([s[number][code] for s in sweep.rmse_mm])),
            "published_quality": (published.BY_WINDOW[code][number] if name == "window" else ""),
        }
        for name, sweep in sweeps.items()
        for number, (level, quality) in enumerate(zip(sweep.levels, sweep.quality(), strict=True))
        for code in published.ROBUST
    ]


def draw(path: Path, quality: Qualities, sweeps: Mapping[str, SweepLike]) -> None:
    """Draw published against ours: every operator, and the family means over each sweep."""
    sheet, axes = figure(13.0, 8.0, 2, 3)
    _draw_operators(axes[0], quality, "synthetic")
    _draw_operators(axes[3], quality, "pan-tilt-zoom")
    for axis, name in zip((axes[1], axes[2], axes[4], axes[5]), sweeps, strict=True):
        _draw_sweep(axis, name, sweeps[name])
    save(sheet, path)


def _draw_operators(axis: Axes, quality: Qualities, group: str) -> None:
    table = published.OVERALL[group]
    for code, value in table.items():
        family = code[:3]
        hollow = code in published.NOT_REPRODUCIBLE
        face = "none" if hollow and MARKERS[family] != "x" else COLOURS[family]
        place = (value, mean_of(quality, code))
        axis.scatter(*place, s=22, marker=MARKERS[family], c=face, edgecolors=COLOURS[family])
        axis.annotate(
            code, place, xytext=(3, 2), textcoords="offset points", fontsize=6, color="0.3"
        )
    axis.plot([0.012, 1.0], [0.012, 1.0], color="0.7", linewidth=0.8)
    axis.set(xscale="log", yscale="log", xlim=(0.01, 1.5), ylim=(0.01, 1.5))
    axis.set(xlabel=f"published quality, {group} (read off)", ylabel="our quality")
    axis.set_title("Every operator (hollow: not counted)", loc="left", fontsize=10)


def _draw_sweep(axis: Axes, name: str, sweep: SweepLike) -> None:
    for family, ours in sweep.families().items():
        colour, marker = COLOURS[family], MARKERS[family]
        axis.plot(sweep.levels, ours, marker=marker, color=colour, label=_NAMES[family])
        printed = published.FAMILIES[name][family]
        axis.plot(sweep.levels, printed, "--", marker=marker, mfc="white", color=colour, alpha=0.7)
    axis.set(xlabel=_AXES[name], ylabel="mean relative quality", ylim=(0.0, 1.05))
    axis.set_xticks(sweep.levels, [f"{level:g}" for level in sweep.levels])
    if name in ("window", "contrast"):
        axis.invert_xaxis()
    axis.set_title(f"{name.capitalize()} (dashed: published, read off)", loc="left", fontsize=10)
    if name == "window":
        axis.legend(frameon=False, fontsize=7, loc="lower left", ncols=2)


def paragraphs(
    all_claims: Sequence[Claim],
    left_out: Sequence[Exclusion],
    overall: Qualities,
    strided: Qualities,
) -> list[str]:
    """Return in words what reproduces, what does not, and where the paper contradicts itself."""
    one = np.mean([mean_of(overall, code) for code in published.ROBUST])
    two = np.mean([mean_of(strided, code) for code in published.ROBUST])
    return [
        "Pertuz, Puig and Garcia (2013) done again on sequences of our own: four surfaces under "
        f"four photographs with flat parts, {len(overall)} sequences in all, 25 frames, widest "
        "blur 8 px (standard deviation). The overall order is of float frames without noise, the "
        "window is tried in 8 bits with one grey level of noise, as a real camera has, and the "
        "rest in 8 bits. Depth is the Gaussian peak of adjacent frames, with no "
        "smoothing; quality is the smallest error over the operator's.",
        counted(all_claims),
        "Rank correlations are Spearman's, with 95 % intervals over scenes and operators. "
        f"{told_exclusions(left_out)} operators.csv has the full list.",
        "The paper contradicts itself in places: its family curves of the error do not fit its own "
        "bars (those of the relative quality do, and are used); figure 12b repeats figure 10b; "
        "MIS8 and GRA2 must give one depth map and are printed with two. Its noise levels only "
        "make sense as variances on 0..1, and are read so: 5.7 to 19 grey levels. The published "
        "sweeps are on real sequences, ours on synthetic ones, so that shapes compare, not "
        "heights.",
        f"A stride of two frames in the peak fit changes the mean error of the eleven operators "
        f"from {one:.2f} to {two:.2f} mm.",
    ]
