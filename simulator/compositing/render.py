"""Renders a scene through a lens: every part is seen, blurred and laid over what is behind it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
import numpy.typing as npt

from ...ground.arrays import (
    SMALL,
    TILES_PX,
    checked_device,
    freed,
    image_filter,
    namespace,
    sent,
    single,
    to_host,
    write,
)
from ...ground.types import Bools, Floats
from .. import optics
from ..blur.aberration import falloff
from ..blur.basis import Blur, Optics, forget_spectra, plain_optics, reach_px, view_scale
from ..blur.defocus import ALIKE_PX, Blurred, blur
from ..blur.focusing import blur_radius_px, own_blur_px, radius_range_px
from ..blur.pupil import Pupil
from ..blur.pupil_cells import Cell, CellBlur, cut_pupil
from ..blur.shaped import blur_of, clipped, shape_of
from ..blur.smear import Path
from ..pose import NOMINAL, Pose
from ..rig import Rig, plain_rig
from ..scene.scene import Scene
from ..view.camera import Camera, Crop, Window
from ..view.parts import parts_of
from ..view.sheet_view import SheetPart
from ..view.shine import BUMPY_MM, gloss_of, shine_view, unsteady_mm
from ..view.view import Image, Part, Sampling, View, reach
from .doubt import BLOCK_PX, MARGIN_PX, places
from .levels import DEFAULT, Level, level_of
from .pile import PILE_REACH_PX, Pile
from .zones import has_rim, zones_in

#: Side of the tiles that a picture is rendered in; it bounds the memory of a large frame.
TILE_PX = 1280
#: On a device that lacks memory they are halved, down to about this.
_LEAST_TILE_PX = 256
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
#: Mirrored light is blurred by at most this radius, px, or so many times the widest of its surface.
_SHINE_PX, _SHINE_SHARE = 64.0, 1.5
#: Cells of the pupil for mirrored light where the depth of its image spreads by less than so much,
#: as a blur radius, px; and where by more.
_SHINE_CELLS = ((1.0, 1), (4.0, 5))
_MOST_SHINE_CELLS = 16
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
    device: str = "cpu",
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
    device : {"cpu", "cuda"}
        What it is worked out on; on a GPU no pixel differs by more than 1e-4.

    Returns
    -------
    array (rows, cols, 3) of float32
        Linear light, 1.0 = saturation; highlights may exceed it.

    Raises
    ------
    ValueError
        An unknown quality, a crop or bin that the sensor does not have, or a device that is not
        there.
    MemoryError
        The device's memory does not hold the smallest tile.

    Examples
    --------
    >>> from stacktruth import load_rig, load_scene
    >>> picture = render_view(load_scene("ramp"), load_rig("test-rig"), crop=(48, 32))
    >>> picture.shape, picture.dtype
    ((32, 48, 3), dtype('float32'))
    """
    camera = Camera(rig, pose or NOMINAL, focus_mm, crop, bin)
    return render(
        scene,
        camera,
        focus=(camera,),
        diffraction=diffraction,
        quality=quality,
        device=checked_device(device),
    )


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


def tiles_of(frame: Window, side: int | None = None) -> Iterator[Window]:
    """Cut a frame into tiles of nearly equal size, no side of which is longer than asked."""
    side = side or TILE_PX
    rows = np.linspace(frame.row0, frame.row1, -(-(frame.row1 - frame.row0) // side) + 1)
    cols = np.linspace(frame.col0, frame.col1, -(-(frame.col1 - frame.col0) // side) + 1)
    for row0, row1 in zip(rows[:-1].astype(int), rows[1:].astype(int), strict=True):
        for col0, col1 in zip(cols[:-1].astype(int), cols[1:].astype(int), strict=True):
            yield Window(int(row0), int(row1), int(col0), int(col1))


def joined(
    frame: Window, tiles: Iterable[npt.NDArray[Any]], side: int | None = None
) -> npt.NDArray[Any]:
    """Lay what was made of each tile of a frame, in their order, together."""
    whole: npt.NDArray[Any] | None = None
    for window, tile in zip(tiles_of(frame, side), tiles, strict=True):
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
    device: str = "cpu",
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
    device : str
        What it is worked out on, of `ground.arrays.DEVICES`; the picture comes to the host.

    Returns
    -------
    array (rows, cols, 3) of float32

    Raises
    ------
    ValueError
        An unknown quality.
    MemoryError
        The device's memory does not hold the smallest tile.
    """
    level = level_of(quality).before(scene.lighting.gain)
    # What is merged must not depend on where the picture ends.
    if scene.lighting.flash is not None:
        device = "cpu"  # the light of a camera's flash is worked out on the host alone
    centred = replace(camera.centred(), device=device)
    focus = tuple(centred if other == camera else replace(other, device=device) for other in focus)
    camera = centred
    key = blur_of(camera.lens_rig, pitch_um=camera.pitch_um, diffraction=diffraction)
    moving = None if motion is None or motion.still else motion
    samples = (level.samples * key.samples_per_px, level.samples)
    taking = _Taking(camera, focus, key, moving, samples)
    # For other focus than the camera's own there is no place in the pupil to look from.
    cut = bool(level.cuts) and focus == (camera,)
    side = TILES_PX.get(device, TILE_PX)
    tiles = list(tiles_of(camera.frame, side))
    asked = tiles if tile is None else [tiles[tile]]
    lit = (_by_zones if has_rim(camera.rig.lens) else _lit)(scene, taking, level if cut else None)

    def drawn(at: Window) -> Floats:
        light = _vignetted(lit(at), camera, at)
        return to_host(_gained(light, scene.lighting.gain))  # type: ignore[no-any-return]

    made = (_within_memory(drawn, at, device) for at in asked)
    return joined(camera.frame, made, side) if tile is None else next(made)


def _within_memory(draw: Callable[[Window], Floats], tile: Window, device: str) -> Floats:
    """Draw a tile, in parts where a device's memory does not hold what is needed for all of it."""
    side = max(tile.shape)
    try:
        return draw(tile)
    except MemoryError as error:
        if device == "cpu":
            raise
        if side <= _LEAST_TILE_PX:
            raise MemoryError(
                f"device: got {device!r}, whose memory does not hold a tile of {side} px, allowed "
                f"one with more free memory, or cpu ({error})"
            ) from error
    forget_spectra()
    freed(device)
    half = -(-side // 2)
    parts = (_within_memory(draw, part, device) for part in tiles_of(tile, half))
    return joined(tile, parts, half)


def _vignetted(light: Floats, camera: Camera, tile: Window) -> Floats:
    """Darken a tile as the lens does toward the corners of the picture, in place."""
    lens, sensor, xp = camera.rig.lens, camera.rig.sensor, camera.xp
    if lens.vignetting_stops > 0:
        corner_px = np.hypot(sensor.width_px, sensor.height_px) / 2 / camera.bin
        dark = falloff(
            camera.frame.shape,
            corner_stops=lens.vignetting_stops,
            corner_px=corner_px,
            part=tile.slices_in(camera.frame),
        )
        write("multiply", light, sent(dark, xp), out=light)
    return light


def _gained(light: Floats, gain: float) -> Floats:
    """Multiply all of a tile's light, in place."""
    if gain != 1:
        write("multiply", light, single(gain), out=light)
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

    @cached_property
    def on_host(self) -> _Taking:
        """The same, seen and blurred on the host."""
        camera = self.camera.on_host
        focus = tuple(camera if one == self.camera else one.on_host for one in self.focus)
        return replace(self, camera=camera, focus=focus)

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


def _lit(scene: Scene, taking: _Taking, level: Level | None) -> Callable[[Window], Floats]:
    """Return what renders a tile of a picture, through cells of the pupil if a level is given."""
    return _whole(scene, taking) if level is None else _with_cells(scene, taking, level)


def _by_zones(scene: Scene, taking: _Taking, level: Level | None) -> Callable[[Window], Floats]:
    """Return what renders a tile of a picture whose pupil is clipped from zone to zone."""
    key = taking.key
    assert isinstance(key, Optics)

    def lit(tile: Window) -> Floats:
        light = np.zeros((*tile.shape, 3), np.float32)
        for zone in zones_in(taking.camera, tile):
            own = replace(taking, key=clipped(key, zone.pupil))
            seen = to_host(_lit(scene, own, level)(zone.window))
            share = zone.weight * np.float32(zone.pupil.area)
            light[zone.window.slices_in(tile)] += share[..., None] * seen
        return sent(light, taking.camera.xp)

    return lit


def _whole(scene: Scene, taking: _Taking) -> Callable[[Window], Floats]:
    """Return what renders a tile of a picture."""
    sights = _sights(scene, taking)

    def lit(tile: Window) -> Floats:
        # What is laid depends on the pixels around it.
        around = tile.grown(PILE_REACH_PX)
        return _pile(scene, sights, around).light[*tile.slices_in(around), :]

    return lit


def _with_cells(scene: Scene, taking: _Taking, level: Level) -> Callable[[Window], Floats]:
    """Return what renders a tile, seen through cells of the pupil where it is in doubt.

    Cells are geometric. Where the lens is not, their difference from the whole geometric disc is
    added to what the lens draws.
    """
    disc = taking.as_disc()
    sights = _sights(scene, taking)
    disc_sights = sights if disc is taking else _sights(scene, disc)
    through = _Through(scene, disc_sights, shape_of(disc.key))

    def lit(tile: Window) -> Floats:
        around = replace(tile.grown(MARGIN_PX).at_scale(BLOCK_PX), scale=1)
        pile = _pile(scene, sights, around, doubts=True)
        assert pile.doubt is not None
        light = namespace(pile.light).asarray(pile.light, copy=True)
        for found in places(pile.doubt, around, tile, level.cuts):
            for place in found.parts:
                here = place.slices_in(around)
                before = pile.light[*here, :] if disc is taking else through.whole(place)
                change = through.cells(place, found.cells) - before
                light[*here, :] += found.weight[here][..., None] * change
        return light[*tile.slices_in(around), :]  # type: ignore[no-any-return]

    return lit


class _Through:
    """A picture by geometric rays, place by place: through the whole pupil, or cell by cell.

    Parameters
    ----------
    scene : Scene
    sights : list of _Sight
        How the whole pupil sees all parts.
    pupil : Pupil
    """

    def __init__(self, scene: Scene, sights: list[_Sight], pupil: Pupil) -> None:
        self._scene, self._sights = scene, sights
        self._pupil = pupil
        #: How each cell sees the parts asked for so far.
        self._known: dict[tuple[Cell, int], _Sight] = {}

    def whole(self, place: Window) -> Floats:
        """Render a place from the middle of the pupil."""
        return _pile(self._scene, self._sights, place.grown(PILE_REACH_PX)).light[*_PILE_INNER, :]

    def cells(self, place: Window, count: int) -> Floats:
        """Render a place from the middle of each of some cells, and add up."""
        xp = self._sights[0].taking.camera.xp
        picture: Floats = xp.zeros((*place.shape, 3), dtype=xp.float32)
        around = place.grown(_CELL_PILE_PX)
        inner = (slice(_CELL_PILE_PX, -_CELL_PILE_PX),) * 2
        # Only these parts can send light there from any point of the pupil.
        near = [look.sight for look in _looks(self._sights, around)]
        for cell in cut_pupil(count, self._pupil):
            sights = [self._seen_by(cell, one) for one in near]
            picture += (
                single(cell.share)
                * _pile(self._scene, sights, around, reach_px=_CELL_PILE_PX).light[*inner, :]
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
    xp = sights[0].taking.camera.xp if sights else np
    pile = Pile(tile, scene.backdrop, reach_px=reach_px, doubts=doubts, xp=xp)
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
    #: What it mirrors is blurred by no larger radius, px; 0 where it mirrors nothing.
    shine_px: float = 0.0
    #: Into how many cells the pupil is cut for it, and whether its depth is that without bumps.
    shine_cells: int = 1
    shine_bumpy: bool = False
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
    def where_faster(self) -> _Look:
        """The same on the host, where it is so small that a device would begin for longer."""
        taking, (rows, cols) = self.sight.taking, self.window.shape
        if rows * cols > SMALL.get(taking.camera.device, 0):
            return self
        return replace(self, sight=replace(self.sight, taking=taking.on_host))

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
    moves = 0 if taking.motion is None else taking.motion.reach_px
    cells, bumpy = (1, False) if gloss_of(part) is None else _shine_cells(part, taking)
    shine = 0.0 if gloss_of(part) is None else max(_SHINE_PX, _SHINE_SHARE * widest)
    sight = _Sight(
        number=number,
        part=part,
        taking=taking,
        reach=window,
        margin_px=reach_px(key, max(most, shine)) + moves,
        scale=min(view_scale(key.size * least), _coarsest_scale(part, camera, farthest)),
        normalised=part.extended or (part.detail_mm > 0 and _is_tilted(camera)),
        least_px=least,
        radius_px=(least + widest) / 2 if widest - least <= ALIKE_PX else None,
        shine_px=shine,
        shine_cells=cells,
        shine_bumpy=bumpy,
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
        shine_px=0.0,
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
    """Lay one part's blurred view over a tile, what is seen in it, and what it mirrors."""
    look = look.where_faster
    view = _seen(look)
    if view is None:
        return
    layer = _layer(look, view, pile.window, doubts=pile.doubt is not None)
    if layer is not None:
        size = look.sight.taking.key.size
        pile.lay(layer.blurred, layer.blur_px, size=size, rise=layer.rise)  # sends them there
        if layer.let_out is not None and look.sight.image is not None:
            pile.add_pile(_within(pile, look.sight.image, layer, size))
    if gloss_of(look.sight.part) is not None:
        _add_shine(pile, look)


def _within(pile: Pile, image: _Sight, window: _Layer, size: float) -> Pile:
    """Return what is seen in a part: its image, with all but the part laid over it in black."""
    doubts = pile.doubt is not None
    inner = Pile(
        window.blurred.window,
        (0.0, 0.0, 0.0),
        reach_px=pile.reach_px,
        doubts=doubts,
        xp=namespace(pile.light),
    )
    at = image.window_for(inner.window)
    look = _Look(image, at).where_faster
    view = None if at.empty else _seen(look)
    shown = None if view is None else _layer(look, view, inner.window, doubts=doubts)
    if shown is not None:
        inner.lay(shown.blurred, shown.blur_px, size=size, rise=shown.rise)
        if shown.uneven_px is not None:
            inner.question(shown.blurred, shown.uneven_px)
        assert window.let_out is not None
        colour = window.blurred.colour
        dark = replace(
            window.blurred,
            colour=namespace(colour).zeros_like(colour),
            coverage=1 - window.let_out,
        )
        inner.lay(dark, window.blur_px, size=size)
    return inner


def _seen(look: _Look) -> View | None:
    """See one part; None where it covers nothing."""
    camera = look.sight.taking.camera
    view = look.sight.part.view(camera, look.window, sampling=_sampling(look))
    if view.coverage is not None and not camera.xp.any(view.coverage != 0):
        return None
    return view


def _layer(look: _Look, view: View, onto: Window, *, doubts: bool) -> _Layer | None:
    """Blur one part's view; None where it lights nothing."""
    sight, window = look.sight, look.window
    taking, key, xp = sight.taking, sight.taking.key, sight.taking.camera.xp
    radius = blur_radius_px(taking.camera, taking.focus, key, window, view.depth_mm)
    if sight.radius_px is not None:
        side = -1 if xp.mean(radius) < 0 else 1
        radius = xp.full((1, 1), side * sight.radius_px, dtype=xp.float32)
    elif sight.least_px > 0:
        # Beyond its edge a surface goes on, maybe through the plane of focus: there it covers
        # nothing, and must not be sharper than what its view was merged for.
        least = single(sight.least_px)
        radius = xp.where(xp.abs(radius) < least, xp.copysign(least, radius), radius)
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
        uneven = xp.abs(one_way - blur_px)
    return _Layer(blurred, blur_px, _rise(blur_px) if doubts else None, let_out, uneven)


def _add_shine(pile: Pile, look: _Look) -> None:
    """Add what a glossy part mirrors, blurred as the image of the flash in it is."""
    sight = look.sight
    found = _shone(sight, pile.window)
    if found is None:
        return
    layer, blur_px = found
    if sight.shine_cells > 1:
        # As everywhere, what cells change is added to what the lens draws.
        disc = sight.taking.as_disc()
        light = layer.colour.copy()
        same = disc is sight.taking
        before = found if same else _shone(_sight_of(sight.number, sight.part, disc), pile.window)
        _add_to(light, layer.window, before, -1.0)
        for cell in cut_pupil(sight.shine_cells):
            one = replace(_sight_of(sight.number, sight.part, disc.through(cell)), shine_bumpy=True)
            _add_to(light, layer.window, _shone(one, pile.window), cell.share)
        layer = replace(layer, colour=light)
    pile.add(layer, blur_px, size=sight.taking.key.size)


def _add_to(
    light: Floats, window: Window, found: tuple[Blurred, Floats] | None, share: float
) -> None:
    """Add a share of blurred light to an array, in place."""
    if found is not None:
        layer = found[0]
        common = layer.window.common(window)
        if not common.empty:
            here, there = common.slices_in(window), common.slices_in(layer.window)
            light[here] += np.float32(share) * layer.colour[there]


def _shone(sight: _Sight, onto: Window) -> tuple[Blurred, Floats] | None:
    """Return what a part mirrors, blurred, with the signed blur radius; None where it is dark."""
    taking, key, window = sight.taking, sight.taking.key, sight.window_for(onto)
    if window.empty:
        return None
    window = replace(window, scale=1)
    view = shine_view(sight.part, taking.camera, window, bumpy=sight.shine_bumpy)
    if not view.colour.any():
        return None
    most = np.float32(sight.shine_px)
    radius = blur_radius_px(taking.camera, taking.focus, key, window, view.depth_mm)
    layer = blur(
        window,
        view.colour,
        None,
        np.clip(radius, -most, most),
        key=key,
        onto=onto,
        normalised=False,
        motion=taking.motion,
    )
    if layer.window.empty:
        return None
    return layer, np.clip(_signed_px(taking, view, layer.window), -most, most)


def _shine_cells(part: Part, taking: _Taking) -> tuple[int, bool]:
    """Return into how many cells the pupil is cut for what a part mirrors, and if it is bumpy.

    One, where the depth of the flash's image hardly differs from bump to bump.
    """
    if not isinstance(part, SheetPart):
        return 1, False
    camera, key = taking.camera, taking.key
    per_mm = key.radius_px_per_defocus_mm * optics.rig_aperture(camera.lens_rig) ** 2 / 2
    varies_mm = unsteady_mm(part, camera.distance_mm / camera.focal_px)
    spread = per_mm * varies_mm
    cells = next((cells for most, cells in _SHINE_CELLS if spread < most), _MOST_SHINE_CELLS)
    whole = taking.focus == (camera,) and isinstance(key, Optics)
    return (cells if whole else 1), varies_mm > BUMPY_MM


def _sampling(look: _Look) -> Sampling:
    """Return how finely a part's texture has to be seen: less where the lens blurs it."""
    taking, key, window = look.sight.taking, look.sight.taking.key, look.window

    def in_focus(depth_mm: Floats) -> Bools:
        radius = blur_radius_px(taking.camera, taking.focus, key, window, depth_mm)
        return namespace(radius).abs(radius) < single(_ALIASING_PX / key.size)  # type: ignore[no-any-return]

    sharp, blurred = taking.samples
    if key.size * look.sight.least_px >= _SHARP_PX:
        sharp = blurred
    return Sampling(sharp, blurred, in_focus)


def _rise(blur_px: Floats) -> Floats | None:
    """Return how steeply a map of blur radii changes, within a blur radius of each pixel."""
    if blur_px.size == 1:
        return None
    xp = namespace(blur_px)
    steep: Floats = xp.zeros(blur_px.shape, dtype=xp.float32)
    for axis in (0, 1):
        change = xp.abs(xp.diff(blur_px, axis=axis))
        here = steep[: change.shape[0], : change.shape[1]]
        write("maximum", here, change, out=here)
    reach = int(min(float(xp.max(xp.abs(blur_px))), PILE_REACH_PX))
    if reach > 0:
        steep = image_filter("maximum_filter", steep, 2 * reach + 1)
    return steep


def _signed_px(taking: _Taking, view: View, onto: Window) -> Floats:
    """Return the signed blur radius of a view on a window of picture pixels, or one for all."""
    xp = namespace(view.depth_mm)
    if taking.focus != (taking.camera,):
        return xp.zeros((1, 1), dtype=xp.float32)  # type: ignore[no-any-return]
    radius = own_blur_px(taking.camera, taking.key, view.window, view.depth_mm)
    if radius.size == 1:
        return radius
    # Light goes beyond the view of a small thing: there it counts as at the view's edge.
    window, scale = view.window, view.window.scale
    rows = (np.arange(onto.row0, onto.row1) - window.row0) // scale
    cols = (np.arange(onto.col0, onto.col1) - window.col0) // scale
    rows, cols = (at.clip(0, n - 1) for at, n in zip((rows, cols), radius.shape, strict=True))
    return xp.take(xp.take(radius, sent(rows, xp), axis=0), sent(cols, xp), axis=1)  # type: ignore[no-any-return]


def _coarsest_scale(part: Part, camera: Camera, farthest: float) -> int:
    """Return how many pixels may be merged before the part's smallest side is too coarse."""
    side_px = part.detail_mm * camera.focal_px / farthest
    if np.isinf(side_px):
        return 1 << 30
    return int(2 ** max(0, np.floor(np.log2(max(side_px / _SAMPLES_ACROSS, 1)))))
