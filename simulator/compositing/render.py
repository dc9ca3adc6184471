"""Renders a scene through a lens: every part is seen, blurred and laid over what is behind it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from .. import optics
from ..blur.aberration import falloff
from ..blur.basis import Blur, Optics, optics_of, plain_optics, reach_px, view_scale
from ..blur.defocus import ALIKE_PX, blur
from ..blur.focusing import blur_radius_px, own_blur_px, radius_range_px
from ..blur.pupil_cells import CellBlur, cut_pupil
from ..blur.smear import Path
from ..pose import NOMINAL, Pose
from ..rig import Rig, plain_rig
from ..scene.scene import Scene
from ..view.camera import Camera, Window
from ..view.parts import parts_of
from ..view.view import Part, View, reach
from .pile import PILE_REACH_PX, Pile

Floats = npt.NDArray[np.float32]

#: Side of the tiles that a picture is rendered in; it bounds the memory of a large frame.
TILE_PX = 1280
#: Parts of the pupil of an exact picture, unless asked otherwise.
EXACT_CELLS = 16
#: A pixel shows the depth of the nearest part that covers at least this share of it.
SOLID = 0.5
#: A part is seen with at least this many samples across its smallest side.
_SAMPLES_ACROSS = 16
#: What is blurred by less than this radius, px, is sharp enough to alias.
_SHARP_PX = 1.5
#: A part is seen this many samples beyond what can light a tile: slopes want neighbours.
_SPARE_SAMPLES = 3
#: Sheets whose blur radius changes by less than this per pixel need not be normalised.
_MOST_RISE = 0.005
#: A cell's view takes more samples of a texture per pixel side than the whole pupil's: its own
#: blur, which hides how coarse they are, is smaller.
_CELL_SAMPLES = 2


def render_view(
    scene: Scene,
    rig: Rig,
    *,
    pose: Pose | None = None,
    focus_mm: float = 0.0,
    crop: tuple[int, int] | None = None,
    bin: int = 1,
    diffraction: bool = True,
    exact: bool = False,
    cells: int = EXACT_CELLS,
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
    exact : bool
        Whether each part of the pupil sees the scene from its own place, so that edges are right
        where both sides are blurred and where surfaces hide themselves. It takes about as many
        times longer as there are cells.
    cells : int
        Parts that an exact picture cuts the pupil into.

    Returns
    -------
    array (rows, cols, 3) of float32
        Linear light, 1.0 = saturation; highlights may exceed it.

    Raises
    ------
    ValueError
        Fewer than one cell, or a crop or bin that the sensor does not have.
    """
    camera = Camera(rig, pose or NOMINAL, focus_mm, crop, bin)
    return render(
        scene, camera, focus=(camera,), diffraction=diffraction, cells=cells if exact else 1
    )


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
    cells: int = 1,
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
    cells : int
        Parts of the pupil that each see the scene from their own place; 1 sees it from the
        middle. Only where the camera's own focus counts.

    Returns
    -------
    array (rows, cols, 3) of float32

    Raises
    ------
    ValueError
        Fewer than one cell, or several for another focus than the camera's own.
    """
    if cells != 1 and focus != (camera,):
        raise ValueError(f"cells: got {cells}, allowed 1 where the focus is not the camera's own")
    # What is merged must not depend on where the picture ends.
    centred = camera.centred()
    focus = tuple(centred if other == camera else other for other in focus)
    camera = centred
    key = optics_of(camera.lens_rig, pitch_um=camera.pitch_um, diffraction=diffraction)
    moving = None if motion is None or motion.still else motion
    taking = _Taking(camera, focus, key, moving)
    picture = _exact(scene, taking, cells) if cells != 1 else _whole(scene, taking)
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
    key: Blur
    motion: Path | None
    #: Whether blurred textures too are sampled as finely as sharp ones.
    fine: bool = False

    def facing(self, part: Part) -> _Taking:
        """Return the same with all cameras as they stand to a part."""
        return replace(
            self,
            camera=self.camera.facing(part.name, living=part.living),
            focus=tuple(camera.facing(part.name, living=part.living) for camera in self.focus),
            motion=self.motion if part.living else None,
        )


def _whole(scene: Scene, taking: _Taking) -> Floats:
    """Render all tiles of a picture."""
    frame = taking.camera.frame
    picture = np.empty((*frame.shape, 3), np.float32)
    for tile in tiles_of(frame):
        # What is laid depends on the pixels around it.
        around = tile.grown(PILE_REACH_PX)
        light = _render_tile(scene, taking, around)
        picture[tile.slices_in(frame)] = light[tile.slices_in(around)]
    return picture


def _exact(scene: Scene, taking: _Taking, count: int) -> Floats:
    """Render through the cells of the pupil.

    Cells are geometric. Where the lens is not, their difference from the whole geometric disc is
    added to what the lens draws.
    """
    assert isinstance(taking.key, Optics)
    plain, rig = plain_optics(taking.key), plain_rig(taking.camera.rig)
    if taking.key == plain and taking.camera.rig.lens == rig.lens:
        return _through_cells(scene, replace(taking, fine=True), count)
    camera = replace(taking.camera, rig=rig)
    disc = replace(taking, camera=camera, focus=(camera,), key=plain)
    picture = _whole(scene, taking)
    picture += _through_cells(scene, disc, count)
    picture -= _whole(scene, disc)
    return np.maximum(picture, 0, out=picture)


def _through_cells(scene: Scene, taking: _Taking, count: int) -> Floats:
    """Render from the middle of each cell of the pupil and add up."""
    radius_mm = optics.entrance_pupil_radius_mm(taking.camera.lens_rig)
    picture = np.zeros((*taking.camera.frame.shape, 3), np.float32)
    for cell in cut_pupil(count):
        x, y = cell.middle
        eye = replace(taking.camera, place_mm=(radius_mm * x, radius_mm * y))
        part = replace(
            taking,
            camera=eye,
            focus=(eye,),
            key=CellBlur(
                cell, taking.key.radius_px_per_defocus_mm, _CELL_SAMPLES * taking.key.samples_per_px
            ),
        )
        picture += np.float32(cell.share) * _whole(scene, part)
    return picture


def _render_tile(scene: Scene, taking: _Taking, tile: Window) -> Floats:
    pile = Pile(tile, scene.backdrop)
    for look in _looks(scene, taking, tile):
        _lay_over(pile, look)
    return pile.light


@dataclass(frozen=True)
class _Look:
    """How a part is looked at for a tile."""

    part: Part
    taking: _Taking
    #: What is seen of it.
    window: Window
    #: Whether its blur is divided by that of a sheet of ones.
    normalised: bool
    #: The least blur radius of any of it, px.
    least_px: float
    #: The one blur radius of all of it, px, where it has but one.
    radius_px: float | None

    @property
    def hides(self) -> bool:
        """Whether it surely hides all that is behind it."""
        return self.part.detail_mm > 0 and self.part.fills(self.taking.camera, self.window)


def _looks(scene: Scene, taking: _Taking, tile: Window) -> list[_Look]:
    """Return how the parts that a tile may show are looked at, from far to near."""
    looks: list[_Look] = []
    facing: dict[str, _Taking] = {}
    for part in reversed(present_parts(scene, taking.camera)):
        if part.name not in facing:
            facing[part.name] = taking.facing(part)
        look = _look_at(part, facing[part.name], tile)
        if not look.window.empty:
            looks.append(look)
            if look.hides:
                break
    return looks[::-1]


def _look_at(part: Part, taking: _Taking, tile: Window) -> _Look:
    camera, key = taking.camera, taking.key
    window, nearest, farthest = reach(part, camera)
    most = radius_range_px(camera, taking.focus, key, nearest, farthest)[1]
    # How it is seen must not depend on what a crop or a tile shows of it.
    _, nearest, farthest = reach(part, camera, camera.uncut)
    least, widest = radius_range_px(camera, taking.focus, key, nearest, farthest)
    scale = min(view_scale(key.size * least), _coarsest_scale(part, camera, farthest))
    margin = reach_px(key, most) + (0 if taking.motion is None else taking.motion.reach_px)
    lit = tile.grown(margin + _SPARE_SAMPLES * scale)
    normalised = part.extended or (part.detail_mm > 0 and _is_tilted(camera))
    # A part that is normalised must be seen beyond its edge as well, where it covers nothing.
    window = (window.grown(margin) if normalised else window).common(lit)
    if not window.empty:
        window = window.at_scale(scale)
    alike = widest - least <= ALIKE_PX
    return _Look(part, taking, window, normalised, least, (least + widest) / 2 if alike else None)


def _is_tilted(camera: Camera) -> bool:
    """Whether a flat sheet meets the plane of focus so steeply that its blur must be normalised.

    Blur that grows by s per pixel makes it brighter by 1.5 s^2.
    """
    radius_mm = optics.entrance_pupil_radius_mm(camera.lens_rig)
    rise = float(np.hypot(*camera.rotation[2, :2]) / camera.rotation[2, 2])
    corner_mm = np.hypot(*camera.uncut.shape) / 2 * camera.distance_mm / camera.focal_px
    rise += abs(camera.lens_rig.lens.field_curvature_per_mm) * corner_mm
    return rise * radius_mm / camera.distance_mm > _MOST_RISE


def _lay_over(pile: Pile, look: _Look) -> None:
    """Lay one part's blurred view over a tile."""
    taking, window, key = look.taking, look.window, look.taking.key
    sharp = look.least_px < _SHARP_PX
    fine = key.samples_per_px if sharp or taking.fine else 1
    view = look.part.view(taking.camera, window, fine=fine)
    if view.coverage is not None and not view.coverage.any():
        return
    radius = blur_radius_px(taking.camera, taking.focus, key, window, view.depth_mm)
    if look.radius_px is not None:
        side = -1 if radius.mean() < 0 else 1
        radius = np.full((1, 1), side * look.radius_px, np.float32)
    blurred = blur(
        window,
        view.colour,
        view.coverage,
        radius,
        key=key,
        onto=pile.window,
        normalised=look.normalised,
        motion=taking.motion,
    )
    if not blurred.window.empty:
        pile.lay(blurred, _signed_px(taking, view, blurred.window), size=key.size)


def _signed_px(taking: _Taking, view: View, onto: Window) -> Floats:
    """Return the signed blur radius of a view on a window of picture pixels, or one for all."""
    if taking.focus != (taking.camera,):
        return np.zeros((1, 1), np.float32)
    radius = own_blur_px(taking.camera, taking.key, view.window, view.depth_mm)
    if radius.size == 1:
        return radius
    # Light goes beyond the view of a small thing: there it counts as at the view's edge.
    window, scale = view.window, view.window.scale
    rows = (np.arange(onto.row0, onto.row1) - window.row0) // scale
    cols = (np.arange(onto.col0, onto.col1) - window.col0) // scale
    rows, cols = (at.clip(0, n - 1) for at, n in zip((rows, cols), radius.shape, strict=True))
    return radius[rows].take(cols, axis=1)


def _coarsest_scale(part: Part, camera: Camera, farthest: float) -> int:
    """Return how many pixels may be merged before the part's smallest side is too coarse."""
    side_px = part.detail_mm * camera.focal_px / farthest
    if np.isinf(side_px):
        return 1 << 30
    return int(2 ** max(0, np.floor(np.log2(max(side_px / _SAMPLES_ACROSS, 1)))))
