"""What a frame costs over its pixels, its blur and its parts: ``python tests/speed/curves.py``.

Noise-free frames on one thread, CPU time, in Fourier convolutions of four float32 layers of the
same size (`render_speed.py`), which is the physical limit of a method that blurs by transforms:
one of them is what a single part costs at the least. ``--device cuda`` draws on a GPU, against wall
time of convolutions there.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from render_speed import convolution
from timing import cpu_s, wall_s

from stacktruth.simulator import Pose, Rig, Scene, load_rig, load_scene, render_view
from stacktruth.simulator.compositing.render import view_depth
from stacktruth.simulator.optics import blur_diameter_um

#: Sides of a square frame, px: from a tenth of a megapixel to a hundred.
SIDES = (320, 640, 1024, 2048, 4000, 6300, 10000)
#: Radii of blur, px, and how many sheets lie over each other.
RADII, PARTS = (1.0, 3.0, 10.0, 30.0, 100.0), (2, 4, 7, 10)
#: What a frame of each curve shows.
_PIXELS_OF, _BLUR_OF, _PARTS_OF = "snail-shell", "spokes", "pickets"
_SIDE = 1024


def in_convolutions(
    work: Callable[[], object], side: int, *, rounds: int = 2, device: str = "cpu"
) -> float:
    """Return the least time of a work in convolutions of a square picture, measured in turn."""
    unit, time_of = convolution((side, side), device), cpu_s if device == "cpu" else wall_s
    unit()
    work()  # makes the textures
    times = [(time_of(work), min(time_of(unit) for _ in range(3))) for _ in range(rounds)]
    own, units = np.array(times).min(axis=0)
    return float(own / units)


def large_sensor(rig: Rig, side: int) -> Rig:
    """Return a rig whose sensor has at least so many pixels on each side, of the same pitch."""
    width, height = max(side, rig.sensor.width_px), max(side, rig.sensor.height_px)
    return replace(rig, sensor=replace(rig.sensor, width_px=width, height_px=height))


def focus_for(scene: Scene, rig: Rig, radius_px: float, *, side: int) -> float:
    """Return where the camera stands, mm, so that the middle of a flat scene has that blur."""
    depth = float(np.nanmedian(view_depth(scene, rig, crop=(side, side))))
    wanted = 2 * radius_px * rig.sensor.pitch_um
    offset = wanted / float(blur_diameter_um(rig, 1e-3)) * 1e-3
    for _ in range(8):  # the disc is nearly, not quite, as the offset
        offset *= wanted / float(blur_diameter_um(rig, offset))
    return depth - offset


def over_pixels(
    quality: str, *, sides: tuple[int, ...], side: int, device: str
) -> Iterator[tuple[float, float]]:
    """Yield (megapixels, convolutions a frame)."""
    scene = load_scene(_PIXELS_OF)
    for each in sides:
        rig = large_sensor(load_rig(scene.rig), each)
        asked = {"crop": (each, each), "quality": quality, "device": device}
        frame = lambda: render_view(scene, rig, **asked)  # noqa: B023, E731 - called at once
        yield each**2 / 1e6, in_convolutions(frame, each, rounds=1 + (each < 3000), device=device)


def over_blur(
    quality: str, *, sides: tuple[int, ...], side: int, device: str
) -> Iterator[tuple[float, float]]:
    """Yield (radius of blur, px, convolutions a frame)."""
    flat = load_scene(_BLUR_OF)
    rig = load_rig(flat.rig)
    asked = {"crop": (side, side), "quality": quality, "device": device}
    for radius in RADII:
        pose = Pose(z_mm=focus_for(flat, rig, radius, side=side))
        frame = lambda: render_view(flat, rig, pose=pose, **asked)  # noqa: B023, E731
        yield radius, in_convolutions(frame, side, device=device)


def over_parts(
    quality: str, *, sides: tuple[int, ...], side: int, device: str
) -> Iterator[tuple[float, float]]:
    """Yield (sheets over each other, convolutions a frame)."""
    full = load_scene(_PARTS_OF)
    rig = load_rig(full.rig)
    asked = {"crop": (side, side), "quality": quality, "device": device}
    for count in PARTS:
        some = replace(full, surface=full.surface[:count])
        frame = lambda: render_view(some, rig, **asked)  # noqa: B023, E731
        yield count, in_convolutions(frame, side, device=device)


#: The curves by what stands below them.
CURVES = {"megapixels": over_pixels, "blur radius, px": over_blur, "parts": over_parts}


def measured(
    quality: str,
    curve: str,
    *,
    sides: tuple[int, ...] = SIDES,
    side: int = _SIDE,
    device: str = "cpu",
) -> pd.DataFrame:
    """Return a curve of a level of quality.

    Parameters
    ----------
    quality : {"fast", "true", "exact"}
    curve : str
        One of `CURVES`.
    sides : tuple of int
        Of the curve over pixels.
    side : int
        Of the frames of the other curves, px.
    device : {"cpu", "cuda"}
    """
    points = CURVES[curve](quality, sides=sides, side=side, device=device)
    found = pd.DataFrame(points, columns=["at", "convolutions"])
    label = quality if device == "cpu" else f"{quality}, GPU"
    return found.assign(curve=curve, quality=label)[["curve", "at", "convolutions", "quality"]]


def curves_figure(curves: pd.DataFrame, workers: pd.DataFrame) -> Figure:
    """Return the figure: a panel for each curve, and one for the workers where there are some.

    Parameters
    ----------
    curves : DataFrame
        As `measured` returns them, below each other.
    workers : DataFrame
        Columns `work`, `workers`, `times_as_fast`; may be empty.
    """
    names = [name for name in CURVES if name in set(curves["curve"])]
    figure = Figure(figsize=(10, 6.4), layout="constrained")
    panels = figure.subplots(2, 2).flat
    for panel, name in zip(panels, names, strict=False):
        for level, group in curves[curves["curve"] == name].groupby("quality", sort=False):
            line = "o--" if "GPU" in level else "o-"
            panel.plot(group["at"], group["convolutions"], line, label=level)
        panel.axhline(1, color="#777777", ls=":", lw=1)
        panel.set_xscale("linear" if name == "parts" else "log")
        panel.set_yscale("log")
        panel.set_xlabel(name)
        panel.set_ylabel("convolutions a frame")
    last = figure.axes[3]
    for work, group in workers.groupby("work", sort=False):
        label = {"apart": "frames that share nothing"}.get(work, work)
        last.plot(group["workers"], group["times_as_fast"], "o-", label=label)
    most = max(workers["workers"].max(), 2) if len(workers) else 2
    last.plot([1, most], [1, most], color="#777777", ls=":", lw=1)
    last.set_xlabel("workers")
    last.set_ylabel("times as fast as one")
    for panel in figure.axes:
        panel.grid(color="#e5e5e5", lw=0.6)
    # One legend of the levels, where no line runs, does for all panels.
    for panel, place in ((figure.axes[1], (0.68, 0.42)), (last, "upper left")):
        if panel.get_legend_handles_labels()[1]:
            panel.legend(frameon=False, fontsize=8, loc=place)
    figure.axes[0].set_title("dotted: one convolution", loc="left", fontsize=9)
    figure.axes[1].set_title("on a GPU: in convolutions there", loc="left", fontsize=9)
    last.set_title("dotted: one for each worker", loc="left", fontsize=9)
    return figure


def main() -> None:
    """Print the curves."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--quality", nargs="+", default=["fast", "true"])
    parser.add_argument("--side", type=int, default=_SIDE, help="pixels per side, blur and parts")
    parser.add_argument("--sides", type=int, nargs="+", default=list(SIDES))
    parser.add_argument("--device", default="cpu", choices=["cpu", "cuda"])
    parser.add_argument("--csv", type=Path, help="write the curves there as well")
    asked = parser.parse_args()
    how = {"sides": tuple(asked.sides), "side": asked.side, "device": asked.device}
    found: list[pd.DataFrame] = []
    for level, curve in product(asked.quality, CURVES):
        found.append(measured(level, curve, **how))
        print(found[-1].to_string(index=False, float_format="%.3g"), flush=True)
        if asked.csv:
            curves = pd.concat(found, ignore_index=True)
            curves.to_csv(asked.csv, index=False, float_format="%.4g")


if __name__ == "__main__":
    main()
