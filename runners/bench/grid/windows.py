"""Windows: small parts of the sensor at real pixels, laid where a scene has depth."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from math import isqrt

import numpy as np

from ....ground.types import Floats
from ....simulator.compositing.render import view_depth
from ....simulator.loading.scenes import load_scene
from ....simulator.optics import depth_of_field_mm
from ....simulator.rig import Rig, load_rig, stopped_to
from ....simulator.scene.scene import Scene, SceneWindow
from ....simulator.shooting.shoot import BLUR_CRITERION_UM
from ....simulator.view.camera import Camera, Crop, crop_text
from .suite import Place, Suite

#: Width, height, left and top of a window, real pixels.
Window = tuple[int, int, int, int]
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
#: The frame in the middle of the pass gives the view; a window of near and far alone, with nothing
#: within so many depths of field of its plane, shows no edge in it to find that view by.
_MIDDLE_DEPTHS = 5.0
#: Share of a window that must lie there.
_IN_MIDDLE = 0.05
#: Decimals of a place's depth, mm: what differs between processors is left out.
_DECIMALS = 4


def located(suite: Suite) -> Suite:
    """Return a suite with the places of all its windows, found where they are not told yet."""
    if not suite.windows or suite.crop is None:
        return suite
    found = [
        place
        for name in suite.scenes
        for rig in _rigs(suite, name)
        for place in places_of(suite, name, rig)
    ]
    return replace(suite, places=tuple(found))


def _rigs(suite: Suite, name: str) -> list[Rig]:
    return [load_rig(rig) for rig in suite.rigs or (load_scene(name).rig,)]


def places_of(suite: Suite, name: str, rig: Rig) -> list[Place]:
    """Return the places of a scene's windows: those that the suite tells, or new ones.

    Flat ones too; `refuse_flat` refuses them.

    Parameters
    ----------
    suite : Suite
        With windows.
    name : str
        Of the scene, as the suite names it.
    rig : Rig
        With the suite's own f-number, if it has one.

    Raises
    ------
    ValueError
        A window does not lie on the sensor.
    """
    told = [place for place in suite.places if (place.scene, place.rig) == (name, rig.name)]
    if told:
        return told
    assert suite.crop is not None
    scene = load_scene(name)
    return [
        Place(
            scene=name,
            rig=rig.name,
            crop=crop,
            depth_mm=_rounded(window_depth_mm(scene, own, crop)),
            f_number=None if own == rig else own.lens.f_number,
        )
        for own, crop in windows_of(scene, rig, suite.crop)
    ]


def _rounded(depth_mm: tuple[float, float]) -> tuple[float, float]:
    near, far = (round(end, _DECIMALS) for end in depth_mm)
    return near, far


def windows_of(scene: Scene, rig: Rig, size: tuple[int, int]) -> list[tuple[Rig, Window]]:
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
        A window does not lie on the sensor.
    """
    named = [
        (stopped_to(rig, window.f_number or rig.lens.f_number), window_crop(rig, size, window))
        for window in scene.windows
    ]
    return named or [(rig, deepest_window(scene, rig, size))]


def window_crop(rig: Rig, size: tuple[int, int], window: SceneWindow) -> Window:
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
def deepest_window(scene: Scene, rig: Rig, size: tuple[int, int]) -> Window:
    """Return the window of that size that shows most depth, of those a third of it apart.

    Of those whose middle is not empty, if any is like that.
    """
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
    middle_mm = _MIDDLE_DEPTHS * _depth_of_field_mm(rig)

    def rank(at: tuple[int, int]) -> tuple[bool, float]:
        return _rank(z[at[0] : at[0] + high, at[1] : at[1] + wide], middle_mm)

    row, col = max(places, key=rank)
    return (*size, col * bin, row * bin)


def _rank(z: Floats, middle_mm: float) -> tuple[bool, float]:
    """Return whether enough of a part lies so near to the middle of its depth, and that depth.

    Stray points are left out; with too little of it known a part has no middle and no depth.
    """
    if np.isfinite(z).mean() < _SEEN:
        return False, 0.0
    near, far = np.nanpercentile(z, _ENDS)
    inside = np.abs(z - (near + far) / 2) <= middle_mm
    return bool(inside.mean() >= _IN_MIDDLE), float(far - near)


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


def depths_of_field(depth_mm: tuple[float, float], rig: Rig) -> float:
    """Return how many depths of field of the rig lie between two z."""
    near, far = depth_mm
    return (far - near) / _depth_of_field_mm(rig)


def _depth_of_field_mm(rig: Rig) -> float:
    return depth_of_field_mm(rig, blur_um=BLUR_CRITERION_UM).total_mm


def refuse_flat(place: Place, rig: Rig) -> None:
    """Refuse a place that has less than three depths of field of the rig as it is stopped.

    Raises
    ------
    ValueError
    """
    found = depths_of_field(place.depth_mm, rig)
    if not found >= LEAST_DEPTHS:
        raise ValueError(
            f"window {crop_text(place.crop)} of {place.scene} through {rig.name}: got a depth of "
            f"{found:.1f} depths of field, allowed {LEAST_DEPTHS:g} and more"
        )
