"""What can be made before any tile is drawn, in shares: tables that many tiles will ask for."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from typing import NamedTuple

import numpy as np

from ..blur.basis import FADE, Blur, band_number, bands_between, edges_px, view_scale
from ..blur.focusing import radius_range_px
from ..blur.pupil_cells import CellBlur, cut_pupil
from ..blur.shaped import blur_of, shape_of
from ..scene.scene import Scene
from ..view.camera import Camera
from ..view.parts import parts_of
from ..view.sheet_view import SheetPart
from ..view.view import Part
from .levels import Level

Make = Callable[[], object]

#: Boxes may reach beyond the camera, where nothing is seen.
_NEAREST_MM = 1e-3


def tables_ahead(
    scene: Scene, cameras: Iterable[Camera], level: Level, *, diffraction: bool = True
) -> list[Make]:
    """Return what makes the tables of some pictures, each by itself, what takes longest first.

    It is a guess: what it leaves out is made when it is asked for, and what is made for nothing
    takes its time alone.

    Parameters
    ----------
    scene : Scene
    cameras : iterable of Camera
        Of the pictures, or some of them.
    level : Level
    diffraction : bool
    """
    parts = parts_of(scene)
    found: dict[object, Make] = {}
    seen: dict[Blur, set[_Range]] = {}
    for camera in cameras:
        key = blur_of(camera.lens_rig, pitch_um=camera.pitch_um, diffraction=diffraction)
        for number, part in enumerate(parts):
            blurred = _blurred(part, camera, key)
            seen.setdefault(key, set()).add(blurred)
            if isinstance(part, SheetPart):
                # All in focus it is seen at each pixel; out of focus as merged as its blur allows.
                sharp = {1 / level.samples, 1 / (level.samples * key.samples_per_px)}
                sizes = sharp | {view_scale(key.size * blurred.least_px) / level.samples}
                found |= {(number, size): one for size, one in part.tables(camera, sizes)}
    for blur, ranges in seen.items():
        for _, count in level.cuts:
            cells = (partial(_make_for_cell, place, count, blur, ranges) for place in range(count))
            found |= {(blur, count, place): one for place, one in enumerate(cells)}
        found |= _bands(blur, ranges)
    return list(found.values())


class _Range(NamedTuple):
    """Between which blur radii a part is seen, px, and on which sides of the plane of focus."""

    least_px: float
    most_px: float
    sides: tuple[int, ...]


def _blurred(part: Part, camera: Camera, key: Blur) -> _Range:
    """Return how a part is blurred, at the most, by what its box may hold."""
    near, far = np.maximum(part.box_mm()[:, 2] - camera.pupil_mm[2], _NEAREST_MM)
    least, most = radius_range_px(camera, (camera,), key, near, far)
    there = {1: far > camera.distance_mm, -1: near < camera.distance_mm}
    return _Range(float(least), float(most), tuple(side for side, on in there.items() if on))


def _bands(key: Blur, ranges: Iterable[_Range]) -> dict[object, Make]:
    """Return what makes the bands that some blur falls into."""
    found: dict[object, Make] = {}
    for least, most, sides in ranges:
        first, last = (band_number(key.size * radius) for radius in (least, most))
        for number in range(first, last + 1):
            radius = edges_px(number)[1] / FADE / key.size  # in no other band
            for side in (1,) if key.even else sides:
                found[key, number, side] = partial(bands_between, key, side * radius, side * radius)
    return found


def _make_for_cell(place: int, count: int, key: Blur, ranges: Iterable[_Range]) -> None:
    """Make the bands of one cell of the pupil; there may be fewer of them than were asked for."""
    for cell in cut_pupil(count, shape_of(key))[place : place + 1]:
        through = CellBlur(cell, key.radius_px_per_defocus_mm)
        for make in _bands(through, ranges).values():
            make()
