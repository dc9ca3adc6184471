"""Pictures of how the blur works: the lens, defocus and contrast, what pupils make of points."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

import stacktruth
from stacktruth.ground.srgb import clipped_srgb
from stacktruth.simulator.rig import Lens, Rig, Sensor
from stacktruth.simulator.scene.scene import Outline, Scene, Sheet
from stacktruth.simulator.scene.texture.plain import Flat
from stacktruth.simulator.scene.texture.target import Spokes
from stacktruth.simulator.transfer import defocus_otf

_WAVES = (0.0, 0.25, 0.5, 1.0, 2.0)
_RIG = Rig(
    name="star",
    lens=Lens(focal_length_mm=60, f_number=5.6, magnification=2),
    sensor=Sensor(width_px=260, height_px=260, pitch_um=3.0),
)


_BLURRED = Rig(
    name="points",
    lens=Lens(focal_length_mm=50, f_number=4.5, magnification=1),
    sensor=Sensor(width_px=256, height_px=256, pitch_um=10.0),
)


def lens(path: Path) -> None:
    """Draw the lens with its pupils, a point behind the plane of focus, and its disc."""
    figure, axes = plt.subplots(figsize=(8.4, 2.9))
    entrance, leaving, sensor, focus, behind = 0.0, 0.8, 5.4, -4.0, -4.7
    edge, where = 1.0, sensor * 0.86
    axes.axhline(0, color="0.6", lw=0.8, ls="--")
    for place, name in ((entrance, "entrance\npupil"), (leaving, "exit\npupil")):
        axes.plot([place, place], [edge, 1.25], "k", lw=2)
        axes.plot([place, place], [-1.25, -edge], "k", lw=2)
        axes.text(place, 1.32, name, ha="center", va="bottom", fontsize=8)
    for side in (edge, -edge):
        axes.plot([focus, entrance], [0, side], color="#2a6f97", lw=1)
        axes.plot([leaving, sensor], [side, 0], color="#2a6f97", lw=1)
        axes.plot([behind, entrance], [0, side], color="#bc4b1f", lw=1)
        at_sensor = side - side * (sensor - leaving) / (where - leaving)
        axes.plot([leaving, sensor], [side, at_sensor], color="#bc4b1f", lw=1)
    axes.plot([sensor, sensor], [-1, 1], "k", lw=1)
    disc = abs(edge - (sensor - leaving) / (where - leaving))
    axes.plot([sensor, sensor], [-disc, disc], color="#bc4b1f", lw=4)
    axes.text(sensor + 0.1, 0, "b", color="#bc4b1f", va="center")
    axes.text(sensor, 1.06, "sensor", ha="center", fontsize=8)
    axes.plot([focus, focus], [-1, 1], color="#2a6f97", lw=1, ls=":")
    axes.text(focus, 1.06, "plane of focus\nz = 0", ha="center", fontsize=8)
    _measure(axes, focus, entrance, -1.45, "d")
    _measure(axes, behind, focus, -1.45, r"$\delta$")
    axes.annotate("", (-1.6, 1.5), (-3.4, 1.5), arrowprops={"arrowstyle": "<-"})
    axes.text(-2.5, 1.55, "z grows", ha="center", fontsize=8)
    axes.set(xlim=(-5.2, 5.9), ylim=(-1.9, 2.0))
    axes.axis("off")
    _save(figure, path)


def _measure(axes: Any, left: float, right: float, height: float, name: str) -> None:
    axes.annotate("", (left, height), (right, height), arrowprops={"arrowstyle": "<->"})
    axes.text((left + right) / 2, height - 0.3, name, ha="center")


def transfer(path: Path) -> None:
    """Draw the transfer function and a star of spokes for some values of defocus."""
    figure = plt.figure(figsize=(8.4, 5.2))
    grid = figure.add_gridspec(2, len(_WAVES), height_ratios=(1.5, 1))
    above = figure.add_subplot(grid[0, :])
    frequency = np.linspace(0, 2, 401)
    colours = mpl.colormaps["viridis"](np.linspace(0, 0.85, len(_WAVES)))
    for place, (waves, colour) in enumerate(zip(_WAVES, colours, strict=True)):
        above.plot(frequency, defocus_otf(frequency, waves), color=colour, label=f"{waves:g}")
        below = figure.add_subplot(grid[1, place])
        below.imshow(clipped_srgb(_star(waves)))
        below.set_title(f"W = {waves:g}", fontsize=9)
        below.axis("off")
    above.axhline(0, color="0.6", lw=0.8)
    above.set(xlim=(0, 2), xlabel="reduced frequency s (2 = cut-off)", ylabel="transfer")
    above.legend(title="waves of defocus", fontsize=8, title_fontsize=8)
    figure.tight_layout()
    _save(figure, path)


def _star(waves: float) -> Any:
    """Render a star of spokes that lies out of focus by so many waves in green."""
    aperture = 2 / (2 * 5.6 * 3)
    offset_mm = 2 * waves * 0.54e-3 / aperture**2
    texture = Spokes(colours=("#101010", "#e8e8e8"), cell_mm=0.42, count=24)
    card = Sheet(name="card", texture=texture, lit=False, centre_mm=(0.0, 0.0, offset_mm))
    scene = Scene(name="star", field_mm=(0.4, 0.4), depth_mm=(-1, 1), surface=(card,))
    return stacktruth.render_view(scene, _RIG, quality="fast")


def pupils(path: Path) -> None:
    """Draw points of light before and behind the plane of focus, as four pupils blur them."""
    corner = _BLURRED.sensor.height_px * _BLURRED.sensor.pitch_um / 2e3
    kinds: dict[str, dict[str, Any]] = {
        "round": {},
        "five straight blades": {"blades": 5},
        "seven rounded blades": {"blades": 7, "blade_roundness": 0.4},
        "round, clipped by a rim": {"cutoff_radius_mm": 6.0, "cutoff_shift": 3.2 / corner},
    }
    figure, places = plt.subplots(2, len(kinds), figsize=(8.4, 4.6))
    for column, (name, keys) in enumerate(kinds.items()):
        rig = replace(_BLURRED, lens=replace(_BLURRED.lens, **keys))
        for row, (side, z_mm) in enumerate((("before focus", -3.0), ("behind focus", 3.3))):
            axes = places[row, column]
            axes.imshow(clipped_srgb(stacktruth.render_view(_points(z_mm), rig)))
            axes.set(xticks=[], yticks=[])
            if row == 0:
                axes.set_title(name, fontsize=9)
            if column == 0:
                axes.set_ylabel(side, fontsize=9)
    figure.tight_layout()
    _save(figure, path)


def _points(z_mm: float) -> Scene:
    """Return nine points of light at one depth."""
    dot, light = Outline(kind="ellipse", size_mm=(0.04, 0.04)), Flat(colour=(26.0, 22.0, 16.0))
    places = [(x, y) for x in (-0.9, 0.0, 0.9) for y in (-0.9, 0.0, 0.9)]
    cards = tuple(
        Sheet(name=f"point {k}", texture=light, lit=False, outline=dot, centre_mm=(*place, z_mm))
        for k, place in enumerate(places)
    )
    return Scene(
        name="points",
        field_mm=(2.56, 2.56),
        depth_mm=(-4, 4),
        backdrop=(0.10, 0.13, 0.09),
        surface=cards,
    )


def _save(figure: Any, path: Path) -> None:
    figure.savefig(path, dpi=110, bbox_inches="tight")
    plt.close(figure)
