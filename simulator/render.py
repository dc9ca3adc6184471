"""Renders a scene through a lens: every part is seen, blurred and laid over what is behind it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulator.aberration import falloff
from simulator.basis import Optics, optics_of, reach_px, view_scale
from simulator.camera import Camera, Window
from simulator.defocus import blur
from simulator.focusing import blur_radius_px, radius_range_px
from simulator.parts import parts_of
from simulator.pose import NOMINAL, Pose
from simulator.rig import Rig
from simulator.scene import Scene
from simulator.smear import Path
from simulator.view import Part, View, reach

Floats = npt.NDArray[np.float32]

#: Side of the tiles that a picture is rendered in; it bounds the memory of a large frame.
TILE_PX = 1280
#: A pixel shows the depth of the nearest part that covers at least this share of it.
SOLID = 0.5
#: A part is seen with at least this many samples across its smallest side.
_SAMPLES_ACROSS = 16
#: What is blurred by less than this radius, px, is sharp enough to alias.
_SHARP_PX = 1.5


def render_view(
    scene: Scene,
    rig: Rig,
    *,
    pose: Pose | None = None,
    focus_mm: float = 0.0,
    crop: tuple[int, int] | None = None,
    bin: int = 1,
    diffraction: bool = True,
) -> Floats:
    """Render what the lens draws on the sensor: no noise, no gain, no encoding.

    Parameters
    ----------
    scene : Scene
    rig : Rig
    pose : Pose or None
        Displacement and rotation of the entrance pupil; None is the nominal camera.
    focus_mm : float
        How much farther than nominal the lens is focused, mm, the entrance pupil standing still;
        the magnification follows as the thin lens says.
    crop : (width, height) or None
        Middle part of the sensor in real pixels.
    bin : int
        Real pixels merged into one, per side.
    diffraction : bool
        Whether the blur is that of the wave nature of light; otherwise the geometric disc.

    Returns
    -------
    array (rows, cols, 3) of float32
        Linear light, 1.0 = saturation; highlights may exceed it.
    """
    camera = Camera(rig, pose or NOMINAL, focus_mm, crop, bin)
    return render(scene, camera, focus=(camera,), diffraction=diffraction)


def view_depth(
    scene: Scene,
    rig: Rig,
    *,
    pose: Pose | None = None,
    focus_mm: float = 0.0,
    crop: tuple[int, int] | None = None,
    bin: int = 1,
) -> Floats:
    """Return the depth of the nearest surface at each pixel's centre.

    Returns
    -------
    array (rows, cols) of float32
        z along the camera's optical axis, mm, 0 at the origin (the middle of the nominal plane of
        focus); NaN where nothing is hit.
    """
    camera = Camera(rig, pose or NOMINAL, focus_mm, crop, bin)
    return camera_depth(scene, camera) + np.float32(camera.rotation[:, 2] @ camera.pupil_mm)


def camera_depth(scene: Scene, camera: Camera) -> Floats:
    """Return the camera depth Z of the nearest surface at each pixel's centre, mm; NaN: none."""
    depth = np.full(camera.frame.shape, np.nan, np.float32)
    for tile in tiles_of(camera.frame):
        for _, view in views_in(scene, camera, tile):
            z = np.broadcast_to(view.depth_mm, view.window.shape)
            solid = True if view.coverage is None else view.coverage >= SOLID
            np.copyto(depth[view.window.slices_in(camera.frame)], z, where=solid)
    return depth


def tiles_of(frame: Window) -> Iterator[Window]:
    """Cut a frame into tiles of nearly equal size."""
    rows = np.linspace(frame.row0, frame.row1, -(-(frame.row1 - frame.row0) // TILE_PX) + 1)
    cols = np.linspace(frame.col0, frame.col1, -(-(frame.col1 - frame.col0) // TILE_PX) + 1)
    for row0, row1 in zip(rows[:-1].astype(int), rows[1:].astype(int), strict=True):
        for col0, col1 in zip(cols[:-1].astype(int), cols[1:].astype(int), strict=True):
            yield Window(int(row0), int(row1), int(col0), int(col1))


def views_in(scene: Scene, camera: Camera, tile: Window) -> Iterator[tuple[Part, View]]:
    """Yield each part with its bare pinhole view in a tile, from far to near, without any blur."""
    for part in present_parts(scene, camera):
        eye = camera.facing(part.name, living=part.living)
        window = reach(part, eye)[0].common(tile)
        window = Window(window.row0, window.row1, window.col0, window.col1)
        if not window.empty:
            yield part, part.view(eye, window, bare=True)


def present_parts(scene: Scene, camera: Camera) -> list[Part]:
    """Return the parts that are there, from far to near: all but a subject that has left."""
    return [part for part in parts_of(scene) if camera.subject.present or not part.living]


def render(
    scene: Scene,
    camera: Camera,
    *,
    focus: tuple[Camera, ...],
    diffraction: bool = True,
    motion: Path | None = None,
) -> Floats:
    """Render with each point blurred by the least defocus that any camera gives it.

    Parameters
    ----------
    scene : Scene
    camera : Camera
        The perspective.
    focus : tuple of Camera
        The camera itself for an ordinary picture, several for the best that a stack could show,
        none for a picture in focus all over. A camera counts for the points in its frame.
    diffraction : bool
    motion : Path or None
        Of the living parts during the exposure, on top of the camera's.

    Returns
    -------
    array (rows, cols, 3) of float32
    """
    key = optics_of(camera.lens_rig, pitch_um=camera.pitch_um, diffraction=diffraction)
    moving = None if motion is None or motion.still else motion
    taking = _Taking(camera, focus, key, moving)
    picture = np.empty((*camera.frame.shape, 3), np.float32)
    for tile in tiles_of(camera.frame):
        picture[tile.slices_in(camera.frame)] = _render_tile(scene, taking, tile)
    lens, sensor = camera.rig.lens, camera.rig.sensor
    if lens.vignetting_stops > 0:
        corner_px = np.hypot(sensor.width_px, sensor.height_px) / 2 / camera.bin
        picture *= falloff(
            camera.frame.shape, corner_stops=lens.vignetting_stops, corner_px=corner_px
        )
    return picture


@dataclass(frozen=True)
class _Taking:
    """How a picture is taken: perspective, focus, kind of blur, and motion of living parts."""

    camera: Camera
    focus: tuple[Camera, ...]
    key: Optics
    motion: Path | None

    def facing(self, part: Part) -> _Taking:
        """Return the same with all cameras as they stand to a part."""
        return _Taking(
            self.camera.facing(part.name, living=part.living),
            tuple(camera.facing(part.name, living=part.living) for camera in self.focus),
            self.key,
            self.motion if part.living else None,
        )


def _render_tile(scene: Scene, taking: _Taking, tile: Window) -> Floats:
    out = np.empty((*tile.shape, 3), np.float32)
    out[:] = scene.backdrop
    for part in present_parts(scene, taking.camera):
        _lay_over(out, part, taking.facing(part), tile)
    return out


def _lay_over(out: Floats, part: Part, taking: _Taking, tile: Window) -> None:
    """Lay one part's blurred view over a tile."""
    camera, key = taking.camera, taking.key
    window, nearest, farthest = reach(part, camera)
    least, most = radius_range_px(camera, taking.focus, key, nearest, farthest)
    scale = min(view_scale(least), _coarsest_scale(part, camera, farthest))
    margin = reach_px(key, most) + (0 if taking.motion is None else taking.motion.reach_px)
    lit = tile.grown(margin)
    # A sheet goes on beyond the light's reach. A fibre or a ball that does may be left as it is,
    # and must: its blur is known on the thing alone, so a sheet of ones would say nothing.
    normalised = part.extended or (part.detail_mm > 0 and window.common(lit) != window)
    # A part that is normalised must be seen beyond its edge as well, where it covers nothing.
    window = (window.grown(margin) if normalised else window).common(lit)
    if window.empty:
        return
    window = window.at_scale(scale)
    fine = key.samples_per_px if least < _SHARP_PX else 1
    view = part.view(camera, window, fine=fine)
    if view.coverage is not None and not view.coverage.any():
        return
    radius = blur_radius_px(camera, taking.focus, key, window, view.depth_mm)
    blurred = blur(
        window,
        view.colour,
        view.coverage,
        radius,
        key=key,
        onto=tile,
        normalised=normalised,
        motion=taking.motion,
    )
    if blurred.window.empty:
        return
    block = out[blurred.window.slices_in(tile)]
    if blurred.coverage is None:
        block[:] = blurred.colour
    else:
        block *= 1 - blurred.coverage
        block += blurred.colour


def _coarsest_scale(part: Part, camera: Camera, farthest: float) -> int:
    """Return how many pixels may be merged before the part's smallest side is too coarse."""
    side_px = part.detail_mm * camera.focal_px / farthest
    if np.isinf(side_px):
        return 1 << 30
    return int(2 ** max(0, np.floor(np.log2(max(side_px / _SAMPLES_ACROSS, 1)))))
