"""Shoots what a plan says on a scene, into a folder: a stack a pass, and a page of all frames."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from ....ground.pictures import read_image
from ....ground.types import Image
from ....simulator.compositing.render import view_depth
from ....simulator.processes import processes
from ....simulator.rig import Rig
from ....simulator.scene.scene import Scene
from ....simulator.shooting.shoot import Shoot
from ....simulator.stack.frameio import frame_file, frame_format
from ....simulator.stack.stackwrite import write_stacks
from ....simulator.view.camera import Crop, crop_size
from ...request import whole_folder
from .tries import Try
from .try_page import try_page

#: Pixels across the picture that tell where the nearest point is.
_ROUGH_PX = 96
#: Share of the picture's points that may be nearer than the nearest point wanted.
_ENDS = 0.02


def write_try(
    made: Try, folder: Path, *, format: str, workers: int = 1, progress: bool | None = None
) -> Path:
    """Render a try and write it: ``pass-1``, ``pass-2`` ..., each a stack, and ``index.html``.

    Parameters
    ----------
    made : Try
    folder : Path
        Must not exist; it appears complete or not at all.
    format, workers, progress
        As for `simulator.stack.stackwrite.write_stack`.
    """
    how = frame_format(format)
    with whole_folder(folder) as place:
        plans = {place / pass_name(number): shot for number, shot in enumerate(made.shoots)}
        _write(plans, format=format, workers=workers, progress=progress)

        def frame(number: int, own: int) -> Image:
            return read_image(place / pass_name(number) / frame_file(own, how))

        page = try_page(made, frame)
        (place / "index.html").write_text(page + "\n", encoding="utf-8")
    return folder


def pass_name(number: int) -> str:
    """Return the name of the stack of a pass, the first of them number 0."""
    return f"pass-{number + 1}"


def depth_shown_mm(scene: Scene, rig: Rig, *, crop: Crop | None = None) -> tuple[float, float]:
    """Return the depth of a scene that a part of the sensor shows: z of near and far end, mm."""
    width, height = crop_size(crop, rig)
    depth = view_depth(scene, rig, crop=crop, bin=max(1, min(width // _ROUGH_PX, height)))
    near, far = np.nanquantile(depth, [_ENDS, 1 - _ENDS])
    return float(near), float(far)


def _write(
    plans: Mapping[Path, Shoot], *, format: str, workers: int, progress: bool | None
) -> None:
    if workers == 1:
        write_stacks(plans, format=format, progress=progress)
        return
    with processes(workers) as pool:
        write_stacks(plans, format=format, pool=pool, workers=workers, progress=progress)
