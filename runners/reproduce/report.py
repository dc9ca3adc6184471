"""What a reproduction leaves beside its claims: tables, figure, summary."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import matplotlib as mpl
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

#: One colour a family, apart in lightness too, and safe for the common colour weaknesses.
COLOURS = {
    "sta": "#0072B2",
    "lap": "#D55E00",
    "gra": "#009E73",
    "wav": "#7A3E9D",
    "dct": "#B8860B",
    "mis": "#6B6B6B",
}
MARKERS = {"sta": "o", "lap": "s", "gra": "^", "wav": "D", "dct": "v", "mis": "P"}


def write_rows(path: Path, rows: Sequence[Mapping[str, object]]) -> None:
    """Write a table; numbers get four significant digits."""
    write_table(path, pd.DataFrame(rows, dtype=object).map(_short))


def _short(value: object) -> object:
    return f"{value:.4g}" if isinstance(value, float) else value


def write_table(path: Path, table: pd.DataFrame) -> None:
    """Write a table as comma-separated values."""
    table.to_csv(path, index=False, lineterminator="\r\n")  # as RFC 4180 ends lines


def write_summary(path: Path, title: str, paragraphs: Sequence[str], command: str) -> None:
    """Write the plain account of a reproduction, with the command that remakes it."""
    text = [f"# {title}", *paragraphs, f"Remade by:\n\n    {command}"]
    path.write_text("\n\n".join(text) + "\n", encoding="utf-8")


def figure(
    width: float, height: float, rows: int = 1, columns: int = 1
) -> tuple[Figure, list[Axes]]:
    """Return a figure with its axes in one list; sizes in inches."""
    sheet = Figure(figsize=(width, height), layout="constrained")
    axes = sheet.subplots(rows, columns, squeeze=False)
    for axis in axes.flat:
        axis.grid(visible=True, color="0.9", linewidth=0.6)
        axis.set_axisbelow(True)
        axis.spines[["top", "right"]].set_visible(False)
    return sheet, list(axes.flat)


def save(sheet: Figure, path: Path) -> None:
    """Write a figure; the same numbers give the same bytes."""
    with mpl.rc_context({"svg.hashsalt": "stacktruth"}):
        sheet.savefig(path, dpi=130, metadata={"Software": None})
