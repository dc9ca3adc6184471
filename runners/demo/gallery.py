"""One picture of all scenes: each with everything in focus, and as one frame shows it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from tqdm import tqdm

from ...ground.srgb import clipped_srgb
from ...ground.types import Floats
from ...simulator.compositing.render import render
from ...simulator.rig import load_rig
from ...simulator.scene.scene import Scene, load_scene
from ...simulator.view.camera import Camera
from ..figures import plain_text

_COLUMNS = 4
_TILE_PX = 480


@plain_text()
def gallery(names: Sequence[str], path: str | Path, *, progress: bool = False) -> None:
    """Draw scenes at their intended rigs to one PNG.

    Parameters
    ----------
    names : sequence of str
        Scenes, by name or path.
    path : path
    progress : bool
        Whether to draw a progress bar on stderr.
    """
    rows = -(-len(names) // _COLUMNS)
    figure = Figure(figsize=(_COLUMNS * 3.6, rows * 2.72), dpi=130)
    FigureCanvasAgg(figure)
    axes = figure.subplots(rows, _COLUMNS, squeeze=False)
    figure.subplots_adjust(left=0.004, right=0.996, top=0.98, bottom=0.004, wspace=0.02, hspace=0.1)
    for spot in axes.flat:
        spot.axis("off")
    bar = tqdm(names, desc="scenes", unit="scene", disable=not progress)
    for name, spot in zip(bar, axes.flat, strict=False):
        scene = load_scene(name)
        spot.imshow(tile(scene), interpolation="antialiased")
        spot.set_title(f"{scene.name}: {scene.title}", fontsize=7, pad=3, loc="left")
    figure.savefig(path)


def tile(scene: Scene) -> Floats:
    """Return a scene's whole field: on the left all in focus, on the right as one frame shows it.

    Returns
    -------
    array (rows, cols, 3) of float32
        sRGB-encoded; the line between the halves runs down the middle, aslant.
    """
    rig = load_rig(scene.rig)
    merged = max(1, rig.sensor.width_px // _TILE_PX)
    camera = Camera(rig, bin=merged)
    sharp = clipped_srgb(render(scene, camera, focus=()))
    frame = clipped_srgb(render(scene, camera, focus=(camera,)))
    rows, cols = sharp.shape[:2]
    down, across = np.mgrid[:rows, :cols]
    line = across - cols / 2 + (down - rows / 2) * 0.35
    out = np.where(line[..., None] < 0, sharp, frame)
    out[np.abs(line) < 1.2] = 1.0
    return out
