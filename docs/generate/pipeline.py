"""The whole as one drawing: what goes in, what is made of it, and who may see what."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
from matplotlib.patches import FancyArrowPatch, FancyBboxPatch

import stacktruth
from stacktruth.ground.types import Floats
from stacktruth.runners.judge.memory_stack import MemoryStack
from stacktruth.runners.methods import built_in
from stacktruth.runners.methods.picture.tone import to_float

_INK, _TRUTH, _SEEN = "#26323a", "#8c4a14", "#1f6a7a"
#: Places of the boxes: left, bottom, width, height; the drawing is 12 x 6.
_BOXES = {
    "scene": (0.1, 4.55, 1.9, 0.95),
    "rig": (0.1, 3.3, 1.9, 0.95),
    "hands and light": (0.1, 2.05, 1.9, 0.95),
    "subject": (0.1, 0.8, 1.9, 0.95),
    "simulator": (2.6, 2.35, 1.5, 1.6),
    "method": (7.0, 3.75, 1.6, 1.0),
    "judge": (9.3, 1.1, 1.3, 1.6),
    "table": (11.0, 1.1, 1.5, 1.6),
}
_SAID = {
    "scene": "surfaces, textures,\nhairs (TOML)",
    "rig": "lens and sensor\n(TOML)",
    "hands and light": "sway, pass, flash\n(TOML)",
    "subject": "wind, twitches\n(TOML)",
    "simulator": "renders each\nframe, and\nwhat is true",
    "method": "yours, or one\nof the literature",
    "judge": "aligns, scores\nby region,\nsplits the loss",
    "table": "one row a\nmethod and\nstack; pages",
}


def pipeline(path: Path) -> None:
    """Draw the way from a scene to a table, with pictures of one small stack."""
    frame, depth, merged = _pictures()
    figure, axes = plt.subplots(figsize=(11.5, 5.5))
    axes.set(xlim=(0, 12.6), ylim=(0, 6))
    axes.axis("off")
    for name, place in _BOXES.items():
        _box(axes, name, place)
    _picture(axes, frame, (4.7, 3.55), "frames/  what a camera writes", _SEEN, shadows=2)
    _picture(axes, depth, (4.7, 0.9), "truth/  ideal, depth, regions", _TRUTH, shadows=0)
    _picture(axes, merged, (9.2, 3.55), "its picture, maybe a depth map", _SEEN, shadows=0)
    for top in (5.0, 3.8, 2.5, 1.3):
        _arrow(axes, (2.0, top), (2.6, 3.15 + (top - 3.15) * 0.3), _INK)
    _arrow(axes, (4.1, 3.5), (4.65, 4.2), _SEEN)
    _arrow(axes, (4.1, 2.8), (4.65, 1.9), _TRUTH)
    _arrow(axes, (6.75, 4.25), (7.0, 4.25), _SEEN)
    _arrow(axes, (8.6, 4.25), (9.15, 4.25), _SEEN)
    _arrow(axes, (10.1, 3.2), (9.95, 2.7), _SEEN)
    _arrow(axes, (6.6, 1.9), (9.3, 1.9), _TRUTH)
    _arrow(axes, (10.6, 1.9), (11.0, 1.9), _INK)
    axes.plot([6.85, 8.9], [3.05, 3.05], color=_INK, lw=3)
    axes.text(7.9, 2.62, "wall: a method cannot\nread what is true", ha="center", fontsize=9)
    figure.savefig(path, dpi=110, bbox_inches="tight")
    plt.close(figure)


def _pictures() -> tuple[Floats, Floats, Floats]:
    """Return a frame, the true depth (shaded), and a merge of a small stack."""
    scene, rig = stacktruth.load_scene("pickets"), stacktruth.load_rig("field-2x")
    plan = stacktruth.shoot(
        scene, rig, stance="braced", frames=9, seed=2, crop=(3000, 2000), bin=20, quality="fast"
    )
    stack = MemoryStack(plan)
    result = built_in("focus-map")(stack.frames, stack.info)
    depth = mpl.colormaps["cividis_r"](plt.Normalize(-1.4, 3.0)(stack.truth.depth_mm))[..., :3]
    return stack.frames[plan.reference] / 65535, depth, to_float(result.image, linear=False)


def _box(axes: Any, name: str, place: tuple[float, float, float, float]) -> None:
    left, bottom, width, height = place
    axes.add_patch(
        FancyBboxPatch(
            (left, bottom), width, height, boxstyle="round,pad=0,rounding_size=0.12",
            facecolor="#f2f0e8", edgecolor=_INK,
        )
    )  # fmt: skip
    middle = left + width / 2
    axes.text(middle, bottom + height - 0.12, name, ha="center", va="top", weight="bold")
    axes.text(middle, bottom + 0.1, _SAID[name], ha="center", va="bottom", fontsize=9)


def _picture(
    axes: Any, picture: Floats, corner: tuple[float, float], told: str, colour: str, *, shadows: int
) -> None:
    """Draw a picture with its name below, and others behind it where there are several."""
    left, bottom = corner
    for back in range(shadows, 0, -1):
        at = 0.1 * back
        axes.add_patch(
            plt.Rectangle((left + at, bottom + at), 1.8, 1.2, facecolor="0.85", edgecolor=colour)
        )
    axes.imshow(picture, extent=(left, left + 1.8, bottom, bottom + 1.2), aspect="auto", zorder=3)
    axes.add_patch(
        plt.Rectangle(corner, 1.8, 1.2, facecolor="none", edgecolor=colour, lw=1.5, zorder=4)
    )
    axes.text(left + 0.95, bottom - 0.1, told, ha="center", va="top", fontsize=9, color=colour)


def _arrow(axes: Any, start: tuple[float, float], end: tuple[float, float], colour: str) -> None:
    axes.add_patch(
        FancyArrowPatch(start, end, arrowstyle="-|>", mutation_scale=14, color=colour, lw=1.5)
    )
