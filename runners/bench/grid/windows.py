"""Windows: small parts of the sensor at real pixels, laid where a scene has depth."""

from __future__ import annotations

from functools import lru_cache
from math import isqrt

import numpy as np

from ....ground.types import Floats
from ....simulator.compositing.render import view_depth
from ....simulator.optics import depth_of_field_mm
from ....simulator.rig import Rig, stopped_to
from ....simulator.scene.scene import Scene, SceneWindow
from ....simulator.shooting.shoot import BLUR_CRITERION_UM
from ....simulator.view.camera import Camera, Crop, crop_text

#: Least depth of a window: one frame alone shows most of a flatter one.
LEAST_DEPTHS = 3.0
#: Ends of what counts as a window's depth: a stray hair makes no depth.
_ENDS = (5, 95)
#: Pixels across a square window in the rough look at a window's depth.
_ACROSS = 80
#: Pixels across the shorter side of a window while the deepest is looked for.
_LOOK = 24
#: Share of a window that must show something.
_SEEN = 0.9


def windows_of(scene: Scene, rig: Rig, size: tuple[int, int]) -> list[tuple[Rig, Crop]]:
    """Return the crops of about that many pixels that a scene's windows ask for, each with its rig.

    Parameters
    ----------
    scene : Scene
        One that names no window gets the deepest that a rough look finds.
    rig : Rig
    size : (width, height)
        Real pixels.

    Raises
    ------
    ValueError
        A window does not lie on the sensor, or is flat: under `LEAST_DEPTHS` depths of field.
    """
    named = [
        (stopped_to(rig, window.f_number or rig.lens.f_number), window_crop(rig, size, window))
        for window in scene.windows
    ]
    found = named or [(rig, deepest_window(scene, rig, size))]
    for own, crop in found:
        refuse_flat(scene, own, crop)
    return found


def window_crop(rig: Rig, size: tuple[int, int], window: SceneWindow) -> Crop:
    """Return the crop of a window.

    Raises
    ------
    ValueError
        It does not lie on the sensor.
    """
    width, height = round(size[0] * window.wide), round(size[1] / window.wide)
    row, col, _ = Camera(rig).project((*window.at_mm, 0.0))
    crop = (width, height, round(float(col) - width / 2), round(float(row) - height / 2))
    Camera(rig, crop=crop)  # complains where it lies beyond the sensor
    return crop


@lru_cache(maxsize=256)
def deepest_window(scene: Scene, rig: Rig, size: tuple[int, int]) -> Crop:
    """Return the window of that size that shows most depth, of those a third of it apart."""
    bin = max(1, min(size) // _LOOK)
    z = view_depth(scene, rig, bin=bin)
    high, wide = size[1] // bin, size[0] // bin
    places = [
        (row, col)
        for row in range(0, z.shape[0] - high + 1, max(1, high // 3))
        for col in range(0, z.shape[1] - wide + 1, max(1, wide // 3))
    ]
    if not places:
        raise ValueError(
            f"window: got {crop_text(size)}, allowed up to the sensor of {rig.name}, "
            f"{rig.sensor.width_px}x{rig.sensor.height_px}"
        )
    z = np.clip(z, *scene.depth_mm)
    row, col = max(places, key=lambda at: _depth(z[at[0] : at[0] + high, at[1] : at[1] + wide]))
    return (*size, col * bin, row * bin)


def _depth(z: Floats) -> float:
    """Return the depth of a part, stray points left out; 0 where too little of it is known."""
    if np.isfinite(z).mean() < _SEEN:
        return 0.0
    near, far = np.nanpercentile(z, _ENDS)
    return float(far - near)


@lru_cache(maxsize=256)
def window_depth_mm(scene: Scene, rig: Rig, crop: Crop) -> tuple[float, float]:
    """Return the nearest and the farthest z of what a window shows of the depth wanted sharp.

    Stray points are left out.
    """
    z = view_depth(scene, rig, crop=crop, bin=max(1, isqrt(crop[0] * crop[1]) // _ACROSS))
    if not np.isfinite(z).any():
        return float("nan"), float("nan")
    near, far = np.nanpercentile(np.clip(z, *scene.depth_mm), _ENDS)
    return float(near), float(far)


def depths_of_field(scene: Scene, rig: Rig, crop: Crop) -> float:
    """Return a window's depth in depths of field of the rig."""
    near, far = window_depth_mm(scene, rig, crop)
    return (far - near) / depth_of_field_mm(rig, blur_um=BLUR_CRITERION_UM).total_mm


def refuse_flat(scene: Scene, rig: Rig, crop: Crop) -> None:
    """Refuse a window that has less than three depths of field.

    Raises
    ------
    ValueError
    """
    found = depths_of_field(scene, rig, crop)
    if not found >= LEAST_DEPTHS:
        raise ValueError(
            f"window {crop_text(crop)} of {scene.name} through {rig.name}: got a depth of "
            f"{found:.1f} depths of field, allowed {LEAST_DEPTHS:g} and more"
        )
