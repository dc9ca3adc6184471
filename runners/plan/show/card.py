"""The field card: one printable page with the numbers to shoot by, safety first."""

from __future__ import annotations

import textwrap

from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.patches import FancyBboxPatch
from matplotlib.textpath import text_to_path

from ..advise.advice import Plan
from .curves import typical_lanes
from .plots import GAP, INK, SOFT, draw_lanes
from .tiles import tiles
from .words import CAUTIONS, SAFETY, costs, cure, title, verdict, where

#: A5, upright, inches.
_SIZE = (5.83, 8.27)
_LEFT, _RIGHT, _FOOT = 0.06, 0.94, 0.04
#: Least and greatest height of the picture, as a share of the page; with less room there is none.
_PICTURE = 0.14, 0.34
#: Longest text of a paragraph, letters: a title may be anybody's.
_LONGEST = 260
_VERDICTS = {"possible": "#1d6b3a", "marginal": "#8a5a00", "not this way": "#a3271b"}


def field_card(plan: Plan) -> Figure:
    """Draw the card, A5 upright."""
    figure = Figure(figsize=_SIZE)
    top = _paragraph(figure, title(plan), 0.98, size=9)
    top = _cautions(figure, top - 0.008)
    ink = _VERDICTS[plan.verdict]
    top = _paragraph(figure, verdict(plan), top - 0.012, size=14, weight="bold", ink=ink)
    for sentence in cure(plan):
        top = _paragraph(figure, sentence, top - 0.006, size=12)
    if plan.verdict != "not this way":
        top = _boxes(figure, tiles(plan), top - 0.012)
        top = _paragraph(figure, where(plan.advised), top - 0.01, size=10.5, weight="bold")
        top = _paragraph(figure, costs(plan), top - 0.004, size=8.5)
        _picture(figure, plan, top - 0.012)
    figure.text(
        _LEFT, 0.018, "From a model of hands and flash: measure your own.", fontsize=6.5, color=SOFT
    )
    return figure


def _boxes(figure: Figure, numbers: list[tuple[str, str]], top: float) -> float:
    """Draw the numbers, three in a row, and return where they end."""
    height, gap = 0.085, 0.012
    width = (_RIGHT - _LEFT - 2 * gap) / 3
    for place, (number, what) in enumerate(numbers):
        row, column = divmod(place, 3)
        left = _LEFT + column * (width + gap)
        low = top - (row + 1) * height - row * gap
        figure.add_artist(
            FancyBboxPatch(
                (left, low),
                width,
                height,
                boxstyle="round,pad=0,rounding_size=0.008",
                facecolor="#f3efe6",
                edgecolor="none",
                transform=figure.transFigure,
            )
        )
        middle, room = left + width / 2, 0.94 * width
        size = _size_that_fits(number, room, size=19, weight="bold")
        figure.text(middle, low + 0.04, number, ha="center", fontsize=size, weight="bold")
        size = _size_that_fits(what, room, size=9, weight="normal")
        figure.text(middle, low + 0.014, what, ha="center", fontsize=size, color="#444444")
    rows = -(-len(numbers) // 3)
    return top - rows * height - (rows - 1) * gap


def _picture(figure: Figure, plan: Plan, top: float) -> None:
    """Draw the lanes of a typical try into what room is left above the foot."""
    least, most = _PICTURE
    height = min(most, top - _FOOT - 0.02)
    if height < least:
        return
    axes = figure.add_axes((_LEFT + 0.08, top - height, _RIGHT - _LEFT - 0.08, height - 0.02))
    lanes = typical_lanes(plan, plan.advised.way)
    depth = plan.setting.depth_mm
    draw_lanes(axes, lanes, depth)
    margin = 0.12 * depth + plan.setting.lane.total_mm / 2
    axes.set_ylim(depth + margin, -margin)
    axes.set_ylabel("depth, mm", fontsize=7.5)
    axes.tick_params(labelsize=7)
    axes.set_title(
        "which frame holds which depth in a typical try; last column: held (blue), missed (red)",
        fontsize=7,
        loc="left",
        pad=3,
    )
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _cautions(figure: Figure, top: float) -> float:
    top = _paragraph(figure, SAFETY, top, size=11, weight="bold", ink=GAP)
    for caution in CAUTIONS:
        top = _paragraph(figure, f"- {caution}", top, size=9)
    return top


def _paragraph(
    figure: Figure, text: str, top: float, *, size: float, weight: str = "normal", ink: str = INK
) -> float:
    """Write wrapped text from a height down, and return where it ends."""
    step = size / 72 / _SIZE[1] * 1.25
    for line in _wrapped(textwrap.shorten(text, _LONGEST, placeholder=" ..."), size, weight):
        top -= step
        figure.text(_LEFT, top, line, fontsize=size, weight=weight, color=ink)
    return top - 0.2 * step


def _wrapped(text: str, size: float, weight: str) -> list[str]:
    """Break text into lines that fit the page as they are measured, long words too."""
    letters = len(text)
    lines = [text]
    while letters > 1 and any(_width(line, size, weight) > _RIGHT - _LEFT for line in lines):
        letters = min(letters - 1, max(map(len, lines)) - 1)
        lines = textwrap.wrap(text, letters)
    return lines


def _size_that_fits(text: str, room: float, *, size: float, weight: str) -> float:
    """Return the largest type, up to a size, in which text is no wider than some room."""
    width = _width(text, size, weight)
    return size if width <= room else size * room / width


def _width(text: str, size: float, weight: str) -> float:
    """Return how wide text is, as a share of the page."""
    font = FontProperties(size=size, weight=weight)
    points, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return float(points) / 72 / _SIZE[0]
