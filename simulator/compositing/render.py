"""Renders a scene through a lens: every part is seen, blurred and laid over what is behind it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter

from ...ground.types import Bools, Floats
from .. import optics
from ..blur.aberration import falloff
from ..blur.basis import Blur, Optics, optics_of, plain_optics, reach_px, view_scale
from ..blur.defocus import ALIKE_PX, Blurred, blur
from ..blur.focusing import blur_radius_px, own_blur_px, radius_range_px
from ..blur.pupil_cells import Cell, CellBlur, cut_pupil
from ..blur.smear import Path
from ..pose import NOMINAL, Pose
from ..rig import Rig, plain_rig
from ..scene.scene import Scene
from ..view.camera import Camera, Crop, Window
from ..view.parts import parts_of
from ..view.view import Image, Part, Sampling, View, reach
from .doubt import BLOCK_PX, MARGIN_PX, places
from .levels import DEFAULT, Level, level_of
from .pile import PILE_REACH_PX, Pile

#: Side of the tiles that a picture is rendered in; it bounds the memory of a large frame.
TILE_PX = 1280
#: A pixel shows the depth of the nearest part that covers at least this share of it.
SOLID = 0.5
#: A part is seen with at least this many samples across its smallest side.
_SAMPLES_ACROSS = 16
#: A part is sharp enough to alias where any of it is blurred by less than this radius, px; then
#: aliasing shows up to the wider one.
_SHARP_PX, _ALIASING_PX = 1.5, 5.0
#: A part is seen this many samples beyond what can light a tile: slopes want neighbours.
_SPARE_SAMPLES = 3
#: Sheets whose blur radius changes by less than this per pixel need not be normalised.
_MOST_RISE = 0.005
#: How far from a pixel changes are taken through a cell, px: its blur is small.
_CELL_PILE_PX = 4
_PILE_INNER = (slice(PILE_REACH_PX, -PILE_REACH_PX),) * 2


def render_view(
    scene: Scene,
    rig: Rig,
    *,
    pose: Pose | None = None,
    focus_mm: float = 0.0,
    crop: Crop | None = None,
    bin: int = 1,
    diffraction: bool = True,
    quality: str | Level = DEFAULT,
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
    crop : (width, height) or (width, height, left, top) or None
        Part of the sensor in real pixels: about its middle, or from a left and upper edge.
    bin : int
        Real pixels merged into one, per side.
    diffraction : bool
        Whether the blur is that of the wave nature of light; otherwise the geometric disc.
    quality : {"fast", "true", "exact"}
        How right edges are where both sides are blurred and where surfaces hide themselves: the
        pupil is cut into cells there, each of which sees the scene from its own place. "fast"
        takes the middle of the pupil for all of it.

    Returns
    -------
    array (rows, cols, 3) of float32
        Linear light, 1.0 = saturation; highlights may exceed it.

    Raises
    ------
    ValueError
        An unknown quality, or a crop or bin that the sensor does not have.

    Examples
    --------
    >>> from stacktruth import load_rig, load_scene
    >>> picture = render_view(load_scene("ramp"), load_rig("test-rig"), crop=(48, 32))
    >>> picture.shape, picture.dtype
    ((32, 48, 3), dtype('float32'))
    """
    camera = Camera(rig, pose or NOMINAL, focus_mm, crop, bin)
    return render(scene, camera, focus=(camera,), diffraction=diffraction, quality=quality)


def view_depth(
    scene: Scene,
    rig: Rig,
    *,
    pose: Pose | None = None,
    focus_mm: float = 0.0,
    crop: Crop | None = None,
    bin: int = 1,
) -> Floats:
    """Return the depth of the nearest surface at each pixel's centre.

    Parameters
    ----------
    scene : Scene
    rig : Rig
    pose : Pose or None
        Displacement and rotation of the entrance pupil; None is the nominal camera.
    focus_mm : float
        How much farther than nominal the lens is focused, mm.
    crop : (width, height) or (width, height, left, top) or None
        Part of the sensor in real pixels: about its middle, or from a left and upper edge.
    bin : int
        Real pixels merged into one, per side.

    Returns
    -------
    array (rows, cols) of float32
        z along the camera's optical axis, mm, 0 at the origin (the middle of the nominal plane of
        focus); NaN where nothing is hit. A surface counts however much light it lets through; in
        a ball that bends light it is the depth of the image there.

    Raises
    ------
    ValueError
        A crop or bin that the sensor does not have.

    Examples
    --------
    The ramp rises to the right by a quarter of a mm a mm, so its right side is nearer:

    >>> from stacktruth import load_rig, load_scene
    >>> depth = view_depth(load_scene("ramp"), load_rig("test-rig"))
    >>> depth.shape, bool(depth[64, 0] > 0 > depth[64, -1])
    ((128, 192), True)
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


def joined(frame: Window, tiles: Iterable[npt.NDArray[Any]]) -> npt.NDArray[Any]:
    """Lay what was made of each tile of a frame, in their order, together."""
    whole: npt.NDArray[Any] | None = None
    for window, tile in zip(tiles_of(frame), tiles, strict=True):
        if whole is None:
            whole = np.empty((*frame.shape, *tile.shape[2:]), tile.dtype)
        whole[window.slices_in(frame)] = tile
    assert whole is not None, "a frame has a tile"
    return whole


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
    quality: str | Level = DEFAULT,
    tile: int | None = None,
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
    quality : {"fast", "true", "exact"} or Level
        How right edges are; it counts only where the focus is the camera's own.
    tile : int or None
        Which tile of the picture to render alone, by its place in `tiles_of`; None: all of them.

    Returns
    -------
    array (rows, cols, 3) of float32

    Raises
    ------
    ValueError
        An unknown quality.
    """
    level = level_of(quality)
    # What is merged must not depend on where the picture ends.
    centred = camera.centred()
    focus = tuple(centred if other == camera else other for other in focus)
    camera = centred
    key = optics_of(camera.lens_rig, pitch_um=camera.pitch_um, diffraction=diffraction)
    moving = None if motion is None or motion.still else motion
    samples = (level.samples * key.samples_per_px, level.samples)
    taking = _Taking(camera, focus, key, moving, samples)
    # For other focus than the camera's own there is no place in the pupil to look from.
    cut = bool(level.cuts) and focus == (camera,)
    tiles = list(tiles_of(camera.frame))
    asked = tiles if tile is None else [tiles[tile]]
    lit = _with_cells(scene, taking, level, asked) if cut else _whole(scene, taking, asked)
    made = (_vignetted(light, camera, at) for at, light in zip(asked, lit, strict=True))
    return joined(camera.frame, made) if tile is None else next(made)


def _vignetted(light: Floats, camera: Camera, tile: Window) -> Floats:
    """Darken a tile as the lens does toward the corners of the picture, in place."""
    lens, sensor = camera.rig.lens, camera.rig.sensor
    if lens.vignetting_stops > 0:
        corner_px = np.hypot(sensor.width_px, sensor.height_px) / 2 / camera.bin
        light *= falloff(
            camera.frame.shape,
            corner_stops=lens.vignetting_stops,
            corner_px=corner_px,
            part=tile.slices_in(camera.frame),
        )
    return light


@dataclass(frozen=True)
class _Taking:
    """How a picture is taken: perspective, focus, kind of blur, and motion of living parts."""

    camera: Camera
    focus: tuple[Camera, ...]
    key: Blur
    motion: Path | None
    #: Samples of a texture per pixel side, where it is in focus and elsewhere.
    samples: tuple[int, int]

    def facing(self, part: Part) -> _Taking:
        """Return the same with all cameras as they stand to a part."""
        return replace(
            self,
            camera=self.camera.facing(part.name, living=part.living),
            focus=tuple(camera.facing(part.name, living=part.living) for camera in self.focus),
            motion=self.motion if part.living else None,
        )

    def as_disc(self) -> _Taking:
        """Return the same by geometric rays alone, or itself where it is so already."""
        assert isinstance(self.key, Optics)
        plain, rig = plain_optics(self.key), plain_rig(self.camera.rig)
        if self.key == plain and self.camera.rig.lens == rig.lens:
            return self
        camera = replace(self.camera, rig=rig)
        return replace(self, camera=camera, focus=(camera,), key=plain)

    def through(self, cell: Cell) -> _Taking:
        """Return the same as a cell of the pupil sees it."""
        radius_mm = optics.entrance_pupil_radius_mm(self.camera.lens_rig)
        x, y = cell.middle
        eye = replace(self.camera, place_mm=(radius_mm * x, radius_mm * y))
        key = CellBlur(cell, self.key.radius_px_per_defocus_mm)
        # The cells see what is blurred each at places of its own: one sample will do.
        return replace(self, camera=eye, focus=(eye,), key=key, samples=(self.samples[0], 1))


def _whole(scene: Scene, taking: _Taking, tiles: Iterable[Window]) -> Iterator[Floats]:
    """Render tiles of a picture."""
    sights = _sights(scene, taking)
    for tile in tiles:
        # What is laid depends on the pixels around it.
        around = tile.grown(PILE_REACH_PX)
        yield _pile(scene, sights, around).light[tile.slices_in(around)]


def _with_cells(
    scene: Scene, taking: _Taking, level: Level, tiles: Iterable[Window]
) -> Iterator[Floats]:
    """Render tiles of a picture, and see it through cells of the pupil where it is in doubt.

    Cells are geometric. Where the lens is not, their difference from the whole geometric disc is
    added to what the lens draws.
    """
    disc = taking.as_disc()
    sights = _sights(scene, taking)
    disc_sights = sights if disc is taking else _sights(scene, disc)
    through = _Through(scene, disc_sights)
    for tile in tiles:
        around = replace(tile.grown(MARGIN_PX).at_scale(BLOCK_PX), scale=1)
        pile = _pile(scene, sights, around, doubts=True)
        assert pile.doubt is not None
        light = pile.light.copy()
        for found in places(pile.doubt, around, tile, level.cuts):
            for place in found.parts:
                here = place.slices_in(around)
                before = pile.light[here] if disc is taking else through.whole(place)
                change = through.cells(place, found.cells) - before
                light[here] += found.weight[here][..., None] * change
        yield light[tile.slices_in(around)]


class _Through:
    """A picture by geometric rays, place by place: through the whole pupil, or cell by cell.

    Parameters
    ----------
    scene : Scene
    sights : list of _Sight
        How the whole pupil sees all parts.
    """

    def __init__(self, scene: Scene, sights: list[_Sight]) -> None:
        self._scene, self._sights = scene, sights
        #: How each cell sees the parts asked for so far.
        self._known: dict[tuple[Cell, int], _Sight] = {}

    def whole(self, place: Window) -> Floats:
        """Render a place from the middle of the pupil."""
        return _pile(self._scene, self._sights, place.grown(PILE_REACH_PX)).light[_PILE_INNER]

    def cells(self, place: Window, count: int) -> Floats:
        """Render a place from the middle of each of some cells, and add up."""
        picture = np.zeros((*place.shape, 3), np.float32)
        around = place.grown(_CELL_PILE_PX)
        inner = (slice(_CELL_PILE_PX, -_CELL_PILE_PX),) * 2
        # Only these parts can send light there from any point of the pupil.
        near = [look.sight for look in _looks(self._sights, around)]
        for cell in cut_pupil(count):
            sights = [self._seen_by(cell, one) for one in near]
            picture += (
                np.float32(cell.share)
                * _pile(self._scene, sights, around, reach_px=_CELL_PILE_PX).light[inner]
            )
        return picture

    def _seen_by(self, cell: Cell, one: _Sight) -> _Sight:
        """Return how a cell sees a part."""
        key = (cell, one.number)
        if key not in self._known:
            self._known[key] = _sight_of(one.number, one.part, one.taking.through(cell))
        return self._known[key]


def _pile(
    scene: Scene,
    sights: list[_Sight],
    tile: Window,
    *,
    reach_px: int = PILE_REACH_PX,
    doubts: bool = False,
) -> Pile:
    """Lay parts, from far to near, over a tile."""
    pile = Pile(tile, scene.backdrop, reach_px=reach_px, doubts=doubts)
    for look in _looks(sights, tile):
        _lay_over(pile, look)
    return pile


@dataclass(frozen=True, eq=False)
class _Sight:
    """How a part is seen in a picture, whichever tile of it is rendered."""

    #: From far to near.
    number: int
    part: Part
    taking: _Taking
    #: The pixels that it may cover.
    reach: Window
    #: How far its light goes, px.
    margin_px: int
    #: Pixels per side of its view's samples.
    scale: int
    #: Whether its blur is divided by that of a sheet of ones.
    normalised: bool
    #: The least blur radius of any of it, px.
    least_px: float
    #: The one blur radius of all of it, px, where it has but one.
    radius_px: float | None
    #: How what is seen in it is seen.
    image: _Sight | None = None

    def window_for(self, tile: Window) -> Window:
        """Return what is seen of it for a tile."""
        lit = tile.grown(self.margin_px + _SPARE_SAMPLES * self.scale)
        # A part that is normalised must be seen beyond its edge as well, where it covers nothing.
        window = self.reach.grown(self.margin_px) if self.normalised else self.reach
        window = window.common(lit)
        return window if window.empty else window.at_scale(self.scale)


@dataclass(frozen=True, eq=False)
class _Look:
    """What is seen of a part for a tile."""

    sight: _Sight
    window: Window

    @property
    def hides(self) -> bool:
        """Whether it surely hides all that is behind it."""
        part = self.sight.part
        if part.translucent:
            return False
        return part.detail_mm > 0 and part.fills(self.sight.taking.camera, self.window)


def _sights(scene: Scene, taking: _Taking) -> list[_Sight]:
    """Return how all parts are seen, from far to near."""
    facing: dict[str, _Taking] = {}
    sights = []
    for number, part in enumerate(present_parts(scene, taking.camera)):
        if part.name not in facing:
            facing[part.name] = taking.facing(part)
        sights.append(_sight_of(number, part, facing[part.name]))
    return sights


def _looks(sights: list[_Sight], tile: Window) -> list[_Look]:
    """Return what a tile may show of some parts, from far to near."""
    looks: list[_Look] = []
    for sight in reversed(sights):
        look = _Look(sight, sight.window_for(tile))
        if not look.window.empty:
            looks.append(look)
            if look.hides:
                break
    return looks[::-1]


def _sight_of(number: int, part: Part, taking: _Taking) -> _Sight:
    camera, key = taking.camera, taking.key
    window, nearest, farthest = reach(part, camera)
    most = radius_range_px(camera, taking.focus, key, nearest, farthest)[1]
    # How it is seen must not depend on what a crop or a tile shows of it.
    _, nearest, farthest = reach(part, camera, camera.uncut)
    least, widest = radius_range_px(camera, taking.focus, key, nearest, farthest)
    sight = _Sight(
        number=number,
        part=part,
        taking=taking,
        reach=window,
        margin_px=reach_px(key, most) + (0 if taking.motion is None else taking.motion.reach_px),
        scale=min(view_scale(key.size * least), _coarsest_scale(part, camera, farthest)),
        normalised=part.extended or (part.detail_mm > 0 and _is_tilted(camera)),
        least_px=least,
        radius_px=(least + widest) / 2 if widest - least <= ALIKE_PX else None,
    )
    return sight if part.image is None else replace(sight, image=_image_sight(part.image, sight))


def _image_sight(image: Image, body: _Sight) -> _Sight:
    """Return how what is seen in a part is seen, wherever light of that part may go."""
    camera, key = body.taking.camera, body.taking.key
    nearest, farthest = image.depths_mm(camera)
    least, widest = radius_range_px(camera, body.taking.focus, key, nearest, farthest)
    motion = body.taking.motion
    return replace(
        body,
        part=image,
        reach=body.reach.grown(body.margin_px),
        margin_px=reach_px(key, widest) + (0 if motion is None else motion.reach_px),
        scale=min(view_scale(key.size * least), _coarsest_scale(image, camera, farthest)),
        normalised=True,
        least_px=least,
        radius_px=None,
    )


def _is_tilted(camera: Camera) -> bool:
    """Whether a flat sheet meets the plane of focus so steeply that its blur must be normalised.

    Blur that grows by s per pixel makes it brighter by 1.5 s^2.
    """
    radius_mm = optics.entrance_pupil_radius_mm(camera.lens_rig)
    rise = float(np.hypot(*camera.rotation[2, :2]) / camera.rotation[2, 2])
    corner_mm = np.hypot(*camera.uncut.shape) / 2 * camera.distance_mm / camera.focal_px
    rise += abs(camera.lens_rig.lens.field_curvature_per_mm) * corner_mm
    return rise * radius_mm / camera.distance_mm > _MOST_RISE


@dataclass(frozen=True, eq=False)
class _Layer:
    """A part's view, blurred."""

    blurred: Blurred
    #: Its signed blur radius, px, and how steeply it changes where that is asked for.
    blur_px: Floats
    rise: Floats | None
    #: Share of its image's light that it lets out, blurred, (rows, cols, 3).
    let_out: Floats | None
    #: By how much its blur radius is wider one way than ``blur_px``, and narrower across, px.
    uneven_px: Floats | None


def _lay_over(pile: Pile, look: _Look) -> None:
    """Lay one part's blurred view over a tile, and what is seen in it."""
    layer = _layer(look, pile.window, doubts=pile.doubt is not None)
    if layer is None:
        return
    size = look.sight.taking.key.size
    pile.lay(layer.blurred, layer.blur_px, size=size, rise=layer.rise)
    if layer.let_out is not None and look.sight.image is not None:
        pile.add(_within(pile, look.sight.image, layer, size))


def _within(pile: Pile, image: _Sight, window: _Layer, size: float) -> Pile:
    """Return what is seen in a part: its image, with all but the part laid over it in black."""
    inner = Pile(
        window.blurred.window,
        (0.0, 0.0, 0.0),
        reach_px=pile.reach_px,
        doubts=pile.doubt is not None,
    )
    seen = image.window_for(inner.window)
    shown = (
        None
        if seen.empty
        else _layer(_Look(image, seen), inner.window, doubts=pile.doubt is not None)
    )
    if shown is not None:
        inner.lay(shown.blurred, shown.blur_px, size=size, rise=shown.rise)
        if shown.uneven_px is not None:
            inner.question(shown.blurred, shown.uneven_px)
        assert window.let_out is not None
        dark = replace(
            window.blurred,
            colour=np.zeros_like(window.blurred.colour),
            coverage=1 - window.let_out,
        )
        inner.lay(dark, window.blur_px, size=size)
    return inner


def _layer(look: _Look, onto: Window, *, doubts: bool) -> _Layer | None:
    """Blur one part's view; None where it lights nothing."""
    sight, window = look.sight, look.window
    taking, key = sight.taking, sight.taking.key
    view = sight.part.view(taking.camera, window, sampling=_sampling(look))
    if view.coverage is not None and not view.coverage.any():
        return None
    radius = blur_radius_px(taking.camera, taking.focus, key, window, view.depth_mm)
    if sight.radius_px is not None:
        side = -1 if radius.mean() < 0 else 1
        radius = np.full((1, 1), side * sight.radius_px, np.float32)
    elif sight.least_px > 0:
        # Beyond its edge a surface goes on, maybe through the plane of focus: there it covers
        # nothing, and must not be sharper than what its view was merged for.
        least = np.float32(sight.least_px)
        radius = np.where(np.abs(radius) < least, np.copysign(least, radius), radius)
    spread = partial(
        blur,
        window,
        coverage=view.coverage,
        radius_px=radius,
        key=key,
        onto=onto,
        normalised=sight.normalised,
        motion=taking.motion,
    )
    blurred = spread(view.colour)
    if view.held is not None:
        # What it holds back differs by channel, as its colour does.
        blurred = replace(blurred, coverage=spread(view.held).colour)
    if blurred.window.empty:
        return None
    let_out = None if view.let_out is None else spread(view.let_out).colour
    blur_px = _signed_px(taking, view, blurred.window)
    uneven = None
    if doubts and view.across_mm is not None:
        one_way = _signed_px(taking, replace(view, depth_mm=view.across_mm), blurred.window)
        uneven = np.abs(one_way - blur_px)
    return _Layer(blurred, blur_px, _rise(blur_px) if doubts else None, let_out, uneven)


def _sampling(look: _Look) -> Sampling:
    """Return how finely a part's texture has to be seen: less where the lens blurs it."""
    taking, key, window = look.sight.taking, look.sight.taking.key, look.window

    def in_focus(depth_mm: Floats) -> Bools:
        radius = blur_radius_px(taking.camera, taking.focus, key, window, depth_mm)
        return np.abs(radius) < np.float32(_ALIASING_PX / key.size)

    sharp, blurred = taking.samples
    if key.size * look.sight.least_px >= _SHARP_PX:
        sharp = blurred
    return Sampling(sharp, blurred, in_focus)


def _rise(blur_px: Floats) -> Floats | None:
    """Return how steeply a map of blur radii changes, within a blur radius of each pixel."""
    if blur_px.size == 1:
        return None
    steep = np.zeros(blur_px.shape, np.float32)
    for axis in (0, 1):
        change = np.abs(np.diff(blur_px, axis=axis))
        np.maximum(
            steep[: change.shape[0], : change.shape[1]],
            change,
            out=steep[: change.shape[0], : change.shape[1]],
        )
    reach = int(min(np.abs(blur_px).max(), PILE_REACH_PX))
    return maximum_filter(steep, 2 * reach + 1) if reach > 0 else steep


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
