"""One picture of all scenes: each with everything in focus, and as one frame shows it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from tqdm import tqdm

from ...ground.srgb import clipped_srgb
from ...ground.types import Floats
from ...simulator.compositing.render import render
from ...simulator.loading.scenes import load_scene
from ...simulator.rig import load_rig
from ...simulator.steps import side_by_side
from ...simulator.view.camera import Camera
from ..figures import plain_text

_COLUMNS = 4
_TILE_PX = 480


@plain_text()
def gallery(
    names: Sequence[str],
    path: str | Path,
    *,
    workers: int = 1,
    progress: bool = False,
    device: str = "cpu",
) -> None:
    """Draw scenes at their intended rigs to one PNG.

    Parameters
    ----------
    names : sequence of str
        Scenes, by name or path.
    path : path
    workers : int
        Processes; their number changes no pixel.
    progress : bool
        Whether to draw a progress bar on stderr.
    device : {"cpu", "cuda"}
        What pictures are worked out on.
    """
    rows = -(-len(names) // _COLUMNS)
    figure = Figure(figsize=(_COLUMNS * 3.6, rows * 2.72), dpi=130)
    FigureCanvasAgg(figure)
    axes = figure.subplots(rows, _COLUMNS, squeeze=False)
    figure.subplots_adjust(left=0.004, right=0.996, top=0.98, bottom=0.004, wspace=0.02, hspace=0.1)
    for spot in axes.flat:
        spot.axis("off")
    halves = [(name, blurred) for blurred in (True, False) for name in names]  # longest first
    made = side_by_side(partial(half, device=device), halves, workers=workers)
    bar = tqdm(made, total=len(halves), desc="scenes", unit="picture", disable=not progress)
    pictures = list(bar)
    frames, sharps = pictures[: len(names)], pictures[len(names) :]
    for name, spot, sharp, frame in zip(names, axes.flat, sharps, frames, strict=False):
        scene = load_scene(name)
        spot.imshow(side_to_side(sharp, frame), interpolation="antialiased")
        spot.set_title(f"{scene.name}: {scene.title}", fontsize=7, pad=3, loc="left")
    figure.savefig(path)


def half(asked: tuple[str, bool], *, device: str = "cpu") -> Floats:
    """Return a scene's whole field, by name: all in focus, or blurred as one frame shows it.

    Returns
    -------
    array (rows, cols, 3) of float32
        sRGB-encoded.
    """
    name, blurred = asked
    scene = load_scene(name)
    rig = load_rig(scene.rig)
    camera = Camera(rig, bin=max(1, rig.sensor.width_px // _TILE_PX))
    focus = (camera,) if blurred else ()
    return clipped_srgb(render(scene, camera, focus=focus, device=device))


def side_to_side(sharp: Floats, frame: Floats) -> Floats:
    """Return a picture that is one on the left, and another on the right.

    Returns
    -------
    array (rows, cols, 3) of float32
        The line between the halves runs down the middle, aslant.
    """
    rows, cols = sharp.shape[:2]
    down, across = np.mgrid[:rows, :cols]
    line = across - cols / 2 + (down - rows / 2) * 0.35
    out = np.where(line[..., None] < 0, sharp, frame)
    out[np.abs(line) < 1.2] = 1.0
    return out
