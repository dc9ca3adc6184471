"""One picture that shows a stack and what the methods made of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from matplotlib.gridspec import GridSpec, GridSpecFromSubplotSpec, SubplotSpec

from ...ground.srgb import clipped_srgb
from ...ground.types import Floats
from ...simulator.stack.stackio import Stack
from ..figures import plain_text
from ..judge.scoring import Scored
from ..methods.picture.tone import to_float

_TILE_INCH = 2.3
_MOST_FRAMES = 12
#: Difference of a channel at the end of the error scale, share of white.
_ERROR_TOP = 0.2


@plain_text()
def contact_sheet(stack: Stack, scored: Sequence[Scored], path: str | Path) -> None:
    """Draw frames, truth, results, errors and depth maps of a stack to one PNG.

    Parameters
    ----------
    stack : Stack
    scored : sequence of Scored
        Failed ones are drawn as their status and reason.
    path : path
    """
    matplotlib.use("Agg")
    truth = stack.truth
    rows, cols = truth.depth_mm.shape
    columns = len(scored) + 1
    height = _TILE_INCH * rows / cols
    frames_rows = 2 if len(stack.frames) > columns else 1
    tall = (frames_rows + 3) * (height + 0.32) + 0.5
    figure = Figure(figsize=(columns * _TILE_INCH + 0.9, tall), dpi=130)
    grid = GridSpec(
        4,
        1,
        figure=figure,
        height_ratios=[frames_rows, 1, 1, 1],
        left=0.005,
        right=0.935,
        top=1 - 0.48 / tall,
        bottom=0.02,
        hspace=0.16,
    )
    figure.suptitle(_headline(stack), x=0.006, ha="left", fontsize=11)
    _draw_frames(figure, grid[0], stack, frames_rows)
    _draw_pictures(figure, grid[1], stack, scored)
    errors = _draw_errors(figure, grid[2], stack, scored)
    depths = _draw_depths(figure, grid[3], stack, scored)
    for image, spot, label in ((errors, grid[2], "error"), (depths, grid[3], "depth, mm")):
        box = spot.get_position(figure)
        axes = figure.add_axes((0.942, box.y0, 0.01, box.height * 0.86))
        bar = figure.colorbar(image, cax=axes)
        bar.set_label(label, fontsize=7)
        bar.ax.tick_params(labelsize=6)
    figure.savefig(path)


def _headline(stack: Stack) -> str:
    shoot = stack.shoot
    lens = shoot.rig.lens
    return (
        f"{shoot.scene.name}: {shoot.frames} frames at {lens.magnification:g}:1, "
        f"f/{lens.f_number:g}, {shoot.stance.title}, {shoot.light.title}, seed {shoot.seed}"
    )


def _draw_frames(figure: Figure, spot: SubplotSpec, stack: Stack, rows: int) -> None:
    count = min(len(stack.frames), _MOST_FRAMES)
    cols = -(-count // rows)
    inner = GridSpecFromSubplotSpec(rows, cols, subplot_spec=spot, wspace=0.02, hspace=0.14)
    for number in range(count):
        axes = figure.add_subplot(inner[divmod(number, cols)])
        record = stack.shoot.records[number]
        title = f"frame {number}, focus {record.focus_z_mm:+.2f} mm"
        title += " (misfire)" if record.misfire else f", {record.gain_stops:+.2f} stop"
        picture = to_float(stack.frames[number], linear=True)
        linear = stack.info["encoding"] == "linear"
        _show(axes, clipped_srgb(picture) if linear else picture, title)


def _draw_pictures(
    figure: Figure, spot: SubplotSpec, stack: Stack, scored: Sequence[Scored]
) -> None:
    truth = stack.truth
    tiles: list[tuple[Floats | str, str]] = [(clipped_srgb(truth.ideal), "ideal: all in focus")]
    for item in scored:
        if item.image is None:
            tiles.append((_excuse(item), str(item.row["method"])))
        else:
            title = f"{item.row['method']}  {item.row['total.psnr_db']:.1f} dB"
            tiles.append((item.image, title))
    _draw_row(figure, spot, tiles)


def _draw_errors(figure: Figure, spot: SubplotSpec, stack: Stack, scored: Sequence[Scored]) -> Any:
    truth = stack.truth
    capture = np.abs(clipped_srgb(truth.achievable) - clipped_srgb(truth.ideal)).max(axis=2)
    title = f"capture limit of these frames  {scored[0].row.get('capture.psnr_db', np.nan):.1f} dB"
    tiles: list[tuple[Floats | str, str]] = [(capture, title)]
    for item in scored:
        if item.image is None or item.truth is None:
            tiles.append((_excuse(item), ""))
            continue
        error = np.abs(item.image - clipped_srgb(item.truth.ideal)).max(axis=2)
        tiles.append((error, f"error, merge lost {item.row['merge_loss_db']:.1f} dB"))
    return _draw_row(figure, spot, tiles, cmap="inferno", vmin=0, vmax=_ERROR_TOP)


def _draw_depths(figure: Figure, spot: SubplotSpec, stack: Stack, scored: Sequence[Scored]) -> Any:
    truth = stack.truth
    low, high = np.nanpercentile(truth.depth_mm, (1, 99))
    tiles: list[tuple[Floats | str, str]] = [(truth.depth_mm, "true depth")]
    for item in scored:
        if item.depth_mm is None:
            tiles.append(("no depth" if item.image is not None else "", ""))
        else:
            tiles.append((item.depth_mm, f"depth, rmse {item.row['depth.depth_rmse_mm']:.2f} mm"))
    return _draw_row(figure, spot, tiles, cmap="viridis_r", vmin=low, vmax=high)


def _draw_row(
    figure: Figure, spot: SubplotSpec, tiles: Sequence[tuple[Floats | str, str]], **look: Any
) -> Any:
    inner = GridSpecFromSubplotSpec(1, len(tiles), subplot_spec=spot, wspace=0.02)
    drawn = None
    for number, (tile, title) in enumerate(tiles):
        axes = figure.add_subplot(inner[number])
        if isinstance(tile, str):
            _without_axes(axes, title)
            axes.text(0.5, 0.5, tile, ha="center", va="center", fontsize=7, wrap=True)
        else:
            drawn = _show(axes, tile, title, **look)
    return drawn


def _show(axes: Any, picture: Floats, title: str, **look: Any) -> Any:
    _without_axes(axes, title)
    return axes.imshow(picture, interpolation="antialiased", **look)


def _without_axes(axes: Any, title: str) -> None:
    axes.axis("off")
    # Ticks would not be drawn, and yet made, and measured for where the title goes.
    axes.set(xticks=(), yticks=())
    axes.set_title(title, fontsize=7, pad=2)


def _excuse(item: Scored) -> str:
    return f"{item.row['status']}: {item.row['reason']}"
