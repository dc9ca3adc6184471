"""Renders a scene through a lens: every part is seen, blurred and laid over what is behind it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulator import optics
from simulator.basis import Optics, optics_of, view_scale
from simulator.camera import Camera, Window
from simulator.defocus import bands_for, blur
from simulator.parts import parts_of
from simulator.pose import NOMINAL, Pose
from simulator.rig import Rig
from simulator.scene import Scene
from simulator.view import Part, View, reach

Floats = npt.NDArray[np.float32]

#: Side of the tiles that a picture is rendered in; it bounds the memory of a large frame.
TILE_PX = 1280
#: A pixel shows the depth of the nearest part that covers at least this share of it.
_SOLID = 0.5
#: A part is seen with at least this many samples across its smallest side.
_SAMPLES_ACROSS = 16


@dataclass(frozen=True, slots=True)
class FocusPlane:
    """A plane of focus in object space: a point is ``offset_mm`` beyond it.

    Parameters
    ----------
    axis : (x, y, z)
        Unit vector of the optical axis.
    at_mm : float
        Position of the plane along the axis, from the origin.
    distance_mm : float
        From the entrance pupil to the plane.
    """

    axis: tuple[float, float, float]
    at_mm: float
    distance_mm: float


def focus_plane(camera: Camera) -> FocusPlane:
    """Return the plane in focus of a camera."""
    axis = camera.rotation[:, 2]
    return FocusPlane(
        axis=(float(axis[0]), float(axis[1]), float(axis[2])),
        at_mm=float(axis @ camera.pupil_mm) + camera.distance_mm,
        distance_mm=camera.distance_mm,
    )


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
    return render(scene, camera, planes=(focus_plane(camera),), diffraction=diffraction)


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
    depth = np.full(camera.frame.shape, np.nan, np.float32)
    for tile in tiles_of(camera.frame):
        for view in views_in(scene, camera, tile):
            here = view.window.slices_in(tile)
            z = np.broadcast_to(view.depth_mm, view.colour.shape[:2])
            solid = True if view.coverage is None else view.coverage >= _SOLID
            block = depth[tile.slices_in(camera.frame)][here]
            np.copyto(block, z, where=solid)
    return depth + np.float32(camera.rotation[:, 2] @ camera.pupil_mm)


def tiles_of(frame: Window) -> Iterator[Window]:
    """Cut a frame into tiles of nearly equal size."""
    rows = np.linspace(frame.row0, frame.row1, -(-(frame.row1 - frame.row0) // TILE_PX) + 1)
    cols = np.linspace(frame.col0, frame.col1, -(-(frame.col1 - frame.col0) // TILE_PX) + 1)
    for row0, row1 in zip(rows[:-1].astype(int), rows[1:].astype(int), strict=True):
        for col0, col1 in zip(cols[:-1].astype(int), cols[1:].astype(int), strict=True):
            yield Window(int(row0), int(row1), int(col0), int(col1))


def views_in(scene: Scene, camera: Camera, tile: Window) -> Iterator[View]:
    """Yield the pinhole view of each part in a tile, from far to near, without any blur."""
    for part in parts_of(scene):
        window = reach(part, camera)[0].common(tile)
        window = Window(window.row0, window.row1, window.col0, window.col1)
        if not window.empty:
            yield part.view(camera, window)


def render(
    scene: Scene,
    camera: Camera,
    *,
    planes: tuple[FocusPlane, ...],
    diffraction: bool = True,
) -> Floats:
    """Render with each point blurred by the least defocus that any plane gives it.

    Parameters
    ----------
    scene : Scene
    camera : Camera
        The perspective.
    planes : tuple of FocusPlane
        One for an ordinary picture, several for the best that a stack could show, none for a
        picture in focus all over.
    diffraction : bool

    Returns
    -------
    array (rows, cols, 3) of float32
    """
    key = optics_of(camera.lens_rig, pitch_um=camera.pitch_um, diffraction=diffraction)
    taking = _Taking(camera, planes, key)
    picture = np.empty((*camera.frame.shape, 3), np.float32)
    for tile in tiles_of(camera.frame):
        picture[tile.slices_in(camera.frame)] = _render_tile(scene, taking, tile)
    return picture


@dataclass(frozen=True)
class _Taking:
    """How a picture is taken: the perspective, the planes in focus and the kind of blur."""

    camera: Camera
    planes: tuple[FocusPlane, ...]
    key: Optics


def _render_tile(scene: Scene, taking: _Taking, tile: Window) -> Floats:
    out = np.empty((*tile.shape, 3), np.float32)
    out[:] = scene.backdrop
    for part in parts_of(scene):
        _lay_over(out, part, taking, tile)
    return out


def _lay_over(out: Floats, part: Part, taking: _Taking, tile: Window) -> None:
    """Lay one part's blurred view over a tile."""
    camera, planes, key = taking.camera, taking.planes, taking.key
    window, nearest, farthest = reach(part, camera)
    least, most = _radius_range(camera, planes, key, nearest, farthest)
    scale = min(view_scale(key, least), _coarsest_scale(part, camera, farthest))
    margin = _margin_px(key, most)
    lit = tile.grown(margin)
    normalised = part.extended or window.common(lit) != window
    # A part that is normalised must be seen beyond its edge as well, where it covers nothing.
    window = (window.grown(margin) if normalised else window).common(lit)
    if window.empty:
        return
    window = window.at_scale(scale)
    view = part.view(camera, window)
    if view.coverage is not None and not view.coverage.any():
        return
    radius = blur_radius_px(camera, planes, key, window, view.depth_mm)
    blurred = blur(
        window,
        view.colour,
        view.coverage,
        radius,
        key=key,
        onto=tile,
        normalised=normalised,
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


def _margin_px(key: Optics, radius_px: float) -> int:
    return max(band.reach_px for band in bands_for(np.array([[0.0, radius_px]], np.float32), key))


def _radius_range(
    camera: Camera, planes: tuple[FocusPlane, ...], key: Optics, nearest: float, farthest: float
) -> tuple[float, float]:
    """Return bounds of the blur radius of anything between two camera depths, px."""
    if not planes:
        return 0.0, 0.0
    ranges = [_offset_range(camera, plane, nearest, farthest) for plane in planes]
    per_mm = key.radius_px_per_defocus_mm
    lows, highs = [], []
    for plane, offsets in zip(planes, ranges, strict=True):
        ends = per_mm * np.abs(_defocus(camera, plane, np.array(offsets)))
        lows.append(0.0 if offsets[0] <= 0 <= offsets[1] else float(ends.min()))
        highs.append(float(ends.max()))
    return min(lows), min(highs)


def _offset_range(
    camera: Camera, plane: FocusPlane, nearest: float, farthest: float
) -> tuple[float, float]:
    """Return bounds of how far points between two camera depths lie beyond a plane of focus."""
    own_axis = camera.rotation[:, 2]
    start = float(own_axis @ camera.pupil_mm) - plane.at_mm
    corner = np.hypot(camera.frame.row1, camera.frame.col1) * farthest / camera.focal_px
    slack = float(np.linalg.norm(own_axis - np.array(plane.axis))) * corner
    return start + nearest - slack, start + farthest + slack


def blur_radius_px(
    camera: Camera,
    planes: tuple[FocusPlane, ...],
    key: Optics,
    window: Window,
    depth_mm: Floats,
) -> Floats:
    """Return the least blur radius that any plane gives each sample of a view, px."""
    if not planes:
        return np.zeros((1, 1), np.float32)
    least: Floats | None = None
    own = focus_plane(camera)
    for plane in planes:
        if plane == own:
            offset = depth_mm - np.float32(camera.distance_mm)
        else:
            offset = _along(camera, plane, window, depth_mm) - np.float32(plane.at_mm)
        size = np.abs(_defocus(camera, plane, offset))
        least = size if least is None else np.minimum(least, size)
    assert least is not None
    return least * np.float32(key.radius_px_per_defocus_mm)


def _along(camera: Camera, plane: FocusPlane, window: Window, depth_mm: Floats) -> Floats:
    """Position along a plane's axis of the points that a view shows, mm from the origin."""
    dx, dy, dz = camera.directions(window)
    ax, ay, az = (np.float32(value) for value in plane.axis)
    start = np.float32(camera.pupil_mm @ np.array(plane.axis))
    return start + depth_mm * (ax * dx + ay * dy + az * dz)


def _defocus(camera: Camera, plane: FocusPlane, offset_mm: Floats) -> Floats:
    aperture = np.float32(optics.rig_aperture(camera.lens_rig))
    return aperture**2 / 2 * offset_mm / (1 + offset_mm / np.float32(plane.distance_mm))
