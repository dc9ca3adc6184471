"""The field card: one printable page with the numbers to shoot by."""

from __future__ import annotations

import textwrap

from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch

from ..advise.advice import Plan
from .curves import typical_lanes
from .plots import GAP, HOLD, INK, SOFT, draw_lanes
from .words import CAUTIONS, f_stop, frames_of, many, mm, power, promise, shutter, title, where

#: A5, upright, inches.
_SIZE = (5.83, 8.27)
_LEFT, _RIGHT = 0.06, 0.94
_LINE = 0.0165
#: Mean width of a letter over the size of the type, rounded up a little.
_LETTER = {"normal": 0.53, "bold": 0.63}
_PICTURE = 0.27


def field_card(plan: Plan) -> Figure:
    """Draw the card, A5 upright."""
    figure = Figure(figsize=_SIZE)
    figure.text(_LEFT, 0.962, "Field card", fontsize=17, weight="bold", color=INK)
    top = _paragraph(figure, title(plan), 0.945, size=9)
    top = _boxes(figure, plan, top - 0.012)
    top = _paragraph(figure, where(plan.advised), top - 0.012, size=10, weight="bold")
    top = _paragraph(figure, promise(plan), top - 0.004, size=8.5)
    top = _picture(figure, plan, top - 0.012)
    top = _helps(figure, plan, top - 0.01)
    _cautions(figure, top - 0.01)
    return figure


def _boxes(figure: Figure, plan: Plan, top: float) -> float:
    """Draw the six numbers, and return where they end."""
    height, gap = 0.075, 0.012
    width = (_RIGHT - _LEFT - 2 * gap) / 3
    for place, (number, what) in enumerate(_numbers(plan)):
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
        middle = left + width / 2
        figure.text(middle, low + 0.036, number, ha="center", fontsize=14, weight="bold")
        figure.text(middle, low + 0.014, what, ha="center", fontsize=7.5, color="#444444")
    return top - 2 * height - gap


def _numbers(plan: Plan) -> list[tuple[str, str]]:
    best, asked = plan.advised, plan.setting
    way, rate = best.way, asked.light.cadence.frames_per_s
    in_passes = "in one pass" if way.passes == 1 else f"in {many(way.passes, 'pass')}"
    pace = (
        ("steady", "a step a frame")
        if asked.goal.regular
        else (
            f"{best.speed_mm_per_s:.2g} mm/s",
            f"toward it; {best.duration_s:.1f} s a pass",
        )
    )
    return [
        (frames_of(way.passes, way.frames), f"frames, {in_passes}"),
        (mm(best.step_mm), "from frame to frame"),
        pace,
        (f_stop(asked.rig.lens.f_number), _other_f_number(plan)),
        _light(plan),
        (f"{min(rate, plan.sustained_frames_per_s):.2g}/s", _cadence(plan, rate)),
    ]


def _other_f_number(plan: Plan) -> str:
    (advised,) = (row for row in plan.apertures if row.advised)
    if advised.f_number == plan.setting.rig.lens.f_number:
        return "the advised f-number"
    frames = frames_of(advised.passes, advised.frames)
    return f"advised: {f_stop(advised.f_number)}, {frames} frames"


def _light(plan: Plan) -> tuple[str, str]:
    unit, light = plan.setting.light.flash, plan.setting.light
    if unit is None:
        return shutter(light.exposure_s), "without a flash"
    advised = [row for row in plan.powers if row.advised]
    if not advised or advised[0].power == unit.power:
        return power(unit.power), "flash power"
    other = power(advised[0].power)
    brighter = advised[0].power > unit.power
    return power(unit.power), f"flash; {other} {'keeps up too' if brighter else 'saves frames'}"


def _cadence(plan: Plan, asked: float) -> str:
    if plan.sustained_frames_per_s < asked:
        return f"the flash holds back {asked:g}/s"
    return "frame rate"


def _picture(figure: Figure, plan: Plan, top: float) -> float:
    height = _PICTURE
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
        fontsize=7.5,
        loc="left",
        pad=3,
    )
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return top - height - 0.02


def _helps(figure: Figure, plan: Plan, top: float) -> float:
    if not plan.remedies:
        return top
    figure.text(_LEFT, top - _LINE, "What would help most", fontsize=9, weight="bold", color=HOLD)
    top -= 1.3 * _LINE
    for place, remedy in enumerate(plan.remedies[:3], start=1):
        top = _paragraph(figure, f"{place}. {remedy.advice}", top, size=8)
    return top


def _cautions(figure: Figure, top: float) -> None:
    figure.text(_LEFT, top - _LINE, "Always", fontsize=9, weight="bold", color=GAP)
    top -= 1.3 * _LINE
    for caution in CAUTIONS:
        top = _paragraph(figure, f"- {caution}", top, size=7.5)
    figure.text(
        _LEFT, 0.018, "From a model of hands and flash: measure your own.", fontsize=6.5, color=SOFT
    )


def _paragraph(
    figure: Figure, text: str, top: float, *, size: float, weight: str = "normal"
) -> float:
    """Write wrapped text from a height down, and return where it ends."""
    room = 72 * _SIZE[0] * (_RIGHT - _LEFT)
    lines = textwrap.wrap(text, int(room / (size * _LETTER[weight])))
    step = size / 72 / _SIZE[1] * 1.25
    for line in lines:
        top -= step
        figure.text(_LEFT, top, line, fontsize=size, weight=weight, color=INK)
    return top - 0.2 * step
