"""Renders a scene through a lens: every part is seen, blurred and laid over what is behind it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from itertools import groupby
from typing import Any

import numpy as np
import numpy.typing as npt

from ...ground.arrays import (
    checked_device,
    freed,
    image_filter,
    namespace,
    sent,
    single,
    to_host,
    write,
)
from ...ground.chunks import tile_px
from ...ground.types import Bools, Floats
from ..blur.aberration import falloff
from ..blur.basis import Optics
from ..blur.defocus import Blurred, blur
from ..blur.focusing import blur_radius_px, own_blur_px
from ..blur.pupil import Pupil
from ..blur.pupil_cells import Cell, cut_pupil
from ..blur.shaped import blur_of, clipped, forget_spectra, shape_of
from ..blur.smear import Path
from ..pose import NOMINAL, Pose
from ..rig import Rig
from ..scene.scene import Scene
from ..view.camera import Camera, Crop, Window
from ..view.parts import parts_of
from ..view.shine import gloss_of, shine_view
from ..view.view import Part, Sampling, View, reaches
from .doubt import BLOCK_PX, MARGIN_PX, places
from .levels import DEFAULT, Level, level_of
from .pile import PILE_REACH_PX, Pile
from .sights import Glance, Sight, Sights, Taking, sights_in, sights_of
from .zones import has_rim, zones_in

#: Side of the tiles that a picture is rendered in; it bounds the memory of a large frame.
TILE_PX = 1280
#: On a device that lacks memory they are halved, down to about this.
_LEAST_TILE_PX = 256
#: Share of a device's memory that is left free for the other processes that share it.
_SPARE = 1 / 8
#: A pixel shows the depth of the nearest part that covers at least this share of it.
SOLID = 0.5
#: A part is sharp enough to alias where any of it is blurred by less than this radius, px; then
#: aliasing shows up to the wider one.
_SHARP_PX, _ALIASING_PX = 1.5, 5.0
#: How far from a pixel changes are taken through a cell, px: its blur is small.
_CELL_PILE_PX = 4
#: Of so many pupils is kept how all parts are seen.
_MOST_PUPILS = 64
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


def device_for(scene: Scene, device: str) -> str:
    """Return the device asked for, or the host: a camera's flash has its light there alone."""
    return device if scene.lighting.flash is None else "cpu"


def side_for(scene: Scene, device: str) -> int:
    """Return the longest side of the tiles that a scene's pictures are rendered in, px."""
    return tile_px(TILE_PX, device_for(scene, device))


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
    """Lay what was made of each tile of a frame, in their order, together, where the tiles are."""
    whole: npt.NDArray[Any] | None = None
    for window, tile in zip(tiles_of(frame, side), tiles, strict=True):
        if whole is None:
            xp = namespace(tile)
            whole = xp.empty((*frame.shape, *tile.shape[2:]), dtype=tile.dtype)
        whole[*window.slices_in(frame), ...] = tile
    assert whole is not None, "a frame has a tile"
    return whole


def views_in(scene: Scene, camera: Camera, tile: Window) -> Iterator[tuple[Part, View]]:
    """Yield each part with its bare pinhole view in a tile, from far to near, without any blur."""
    for _, some in groupby(present_parts(scene, camera), key=lambda part: part.name):
        parts = tuple(some)
        eye = camera.facing(parts[0].name, living=parts[0].living)
        for part, whole in zip(parts, reaches(parts, eye)[0], strict=True):
            window = whole.common(tile)
            if not window.empty and not part.misses(eye, window):
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
    on_host: bool = True,
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
        What it is worked out on, of `ground.arrays.DEVICES`.
    on_host : bool
        Whether the picture comes to the host, or stays on the device.

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
    side, device = side_for(scene, device), device_for(scene, device)
    # What is merged must not depend on where the picture ends.
    centred = replace(camera.centred(), device=device)
    focus = tuple(centred if other == camera else replace(other, device=device) for other in focus)
    camera = centred
    key = blur_of(camera.lens_rig, pitch_um=camera.pitch_um, diffraction=diffraction)
    moving = None if motion is None or motion.still else motion
    samples = (level.samples * key.samples_per_px, level.samples)
    taking = Taking(camera, focus, key, moving, samples)
    # For other focus than the camera's own there is no place in the pupil to look from.
    cut = bool(level.cuts) and focus == (camera,)
    tiles = list(tiles_of(camera.frame, side))
    asked = tiles if tile is None else [tiles[tile]]
    lit = (_by_zones if has_rim(camera.rig.lens) else _lit)(scene, taking, level if cut else None)

    def drawn(at: Window) -> Floats:
        return _gained(_vignetted(lit(at), camera, at), scene.lighting.gain)

    made = (_within_memory(drawn, at, device) for at in asked)
    picture = joined(camera.frame, made, side) if tile is None else next(made)
    freed(device, below=_SPARE)
    return to_host(picture) if on_host else picture


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


def _lit(scene: Scene, taking: Taking, level: Level | None) -> Callable[[Window], Floats]:
    """Return what renders a tile of a picture, through cells of the pupil if a level is given."""
    return _whole(scene, taking) if level is None else _with_cells(scene, taking, level)


def _by_zones(scene: Scene, taking: Taking, level: Level | None) -> Callable[[Window], Floats]:
    """Return what renders a tile of a picture whose pupil is clipped from zone to zone."""
    key = taking.key
    assert isinstance(key, Optics)

    @lru_cache(maxsize=_MOST_PUPILS)
    def through(pupil: Pupil) -> Callable[[Window], Floats]:
        """Return what renders through a pupil, for the tiles that have it."""
        return _lit(scene, replace(taking, key=clipped(key, pupil)), level)

    def lit(tile: Window) -> Floats:
        light = np.zeros((*tile.shape, 3), np.float32)
        for zone in zones_in(taking.camera, tile):
            seen = to_host(through(zone.pupil)(zone.window))
            share = zone.weight * np.float32(zone.pupil.area)
            light[zone.window.slices_in(tile)] += share[..., None] * seen
        return sent(light, taking.camera.xp)

    return lit


def _whole(scene: Scene, taking: Taking) -> Callable[[Window], Floats]:
    """Return what renders a tile of a picture."""
    sights = sights_in(present_parts(scene, taking.camera), taking)

    def lit(tile: Window) -> Floats:
        # What is laid depends on the pixels around it.
        around = tile.grown(PILE_REACH_PX)
        pile = _pile(scene, sights, around, taking.camera.xp)
        return pile.light[*tile.slices_in(around), :]

    return lit


def _with_cells(scene: Scene, taking: Taking, level: Level) -> Callable[[Window], Floats]:
    """Return what renders a tile, seen through cells of the pupil where it is in doubt.

    Cells are geometric. Where the lens is not, their difference from the whole geometric disc is
    added to what the lens draws.
    """
    parts, disc = present_parts(scene, taking.camera), taking.as_disc
    sights = sights_in(parts, taking)
    disc_sights = sights if disc is taking else sights_in(parts, disc)
    through = _Through(scene, disc_sights, disc)

    def lit(tile: Window) -> Floats:
        around = replace(tile.grown(MARGIN_PX).at_scale(BLOCK_PX), scale=1)
        pile = _pile(scene, sights, around, taking.camera.xp, doubts=True)
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
    sights : Sights
        How the whole pupil sees all parts.
    taking : Taking
        Through the whole pupil.
    """

    def __init__(self, scene: Scene, sights: Sights, taking: Taking) -> None:
        self._scene, self._sights = scene, sights
        self._pupil, self._xp = shape_of(taking.key), taking.camera.xp
        #: How each cell sees the parts asked for so far.
        self._known: dict[tuple[Cell, int], Sight] = {}
        self._takings: dict[tuple[Cell, int], Taking] = {}

    def whole(self, place: Window) -> Floats:
        """Render a place from the middle of the pupil."""
        around = place.grown(PILE_REACH_PX)
        return _pile(self._scene, self._sights, around, self._xp).light[*_PILE_INNER, :]

    def cells(self, place: Window, count: int) -> Floats:
        """Render a place from the middle of each of some cells, and add up."""
        xp = self._xp
        picture: Floats = xp.zeros((*place.shape, 3), dtype=xp.float32)
        around = place.grown(_CELL_PILE_PX)
        inner = (slice(_CELL_PILE_PX, -_CELL_PILE_PX),) * 2
        # Only these parts can send light there from any point of the pupil.
        near = [look.sight for look in self._sights.looks(around)]
        for cell in cut_pupil(count, self._pupil):
            sights = Sights(self._seen_by(cell, near))
            pile = _pile(self._scene, sights, around, xp, reach_px=_CELL_PILE_PX)
            picture += single(cell.share) * pile.light[*inner, :]
        return picture

    def _seen_by(self, cell: Cell, sights: list[Sight]) -> list[Sight]:
        """Return how a cell sees parts."""
        new = (one for one in sights if (cell, one.number) not in self._known)
        for taking, some in groupby(new, key=lambda one: one.taking):
            found = sights_of(list(some), self._taking_of(cell, taking))
            self._known |= {(cell, one.number): one for one in found}
        return [self._known[cell, one.number] for one in sights]

    def _taking_of(self, cell: Cell, taking: Taking) -> Taking:
        """Return how a cell sees what faces the cameras as in a taking; it is made once."""
        key = (cell, id(taking))
        if key not in self._takings:
            self._takings[key] = taking.through(cell)
        return self._takings[key]


def _pile(
    scene: Scene,
    sights: Sights,
    tile: Window,
    xp: Any,
    *,
    reach_px: int = PILE_REACH_PX,
    doubts: bool = False,
) -> Pile:
    """Lay parts, from far to near, over a tile."""
    pile = Pile(tile, scene.backdrop, reach_px=reach_px, doubts=doubts, xp=xp)
    looks, known = _unhidden([look.where_faster for look in sights.looks(tile)], tile)
    for look in looks:
        _lay_over(pile, look, known.pop(look, None), last=look is looks[-1])
    return pile


def _unhidden(looks: list[Glance], tile: Window) -> tuple[list[Glance], dict[Glance, View]]:
    """Return what the nearest sheet over all of a tile does not hide, and the view of that sheet.

    Where it is seen to have no edge, nothing that is laid before it stays.
    """
    for number in reversed(range(1, len(looks))):
        look = looks[number]
        part = look.sight.part
        if part.detail_mm > 0 and not part.translucent and tile.common(look.window) == tile:
            view = _seen(look)
            if view is None:
                break
            return looks[number:] if view.coverage is None else looks, {look: view}
    return looks, {}


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


def _lay_over(pile: Pile, look: Glance, known: View | None, *, last: bool) -> None:
    """Lay one part's blurred view over a tile, what is seen in it, and what it mirrors."""
    view = _seen(look) if known is None else known
    if view is None:
        return
    layer = _layer(look, view, pile.window, doubts=pile.doubt is not None)
    if layer is not None:
        size = look.sight.taking.key.size
        pile.lay(  # sends them there
            layer.blurred, layer.blur_px, size=size, rise=layer.rise, last=last
        )
        if layer.let_out is not None and look.sight.image is not None:
            pile.add_pile(_within(pile, look.sight.image, layer, size))
    if gloss_of(look.sight.part) is not None:
        _add_shine(pile, look)


def _within(pile: Pile, image: Sight, window: _Layer, size: float) -> Pile:
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
    look = Glance(image, at).where_faster
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


def _seen(look: Glance) -> View | None:
    """See one part; None where it covers nothing."""
    camera = look.sight.taking.camera
    if look.sight.part.misses(camera, look.window):
        return None
    view = look.sight.part.view(camera, look.window, sampling=_sampling(look))
    if view.coverage is not None and not camera.xp.any(view.coverage != 0):
        return None
    return view


def _layer(look: Glance, view: View, onto: Window, *, doubts: bool) -> _Layer | None:
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


def _add_shine(pile: Pile, look: Glance) -> None:
    """Add what a glossy part mirrors, blurred as the image of the flash in it is."""
    sight = look.sight
    found = _shone(sight, pile.window)
    if found is None:
        return
    layer, blur_px = found
    if sight.shine_cells > 1:
        # As everywhere, what cells change is added to what the lens draws.
        disc, light = sight.as_disc, layer.colour.copy()
        before = found if disc is sight else _shone(disc, pile.window)
        _add_to(light, layer.window, before, -1.0)
        for share, one in sight.shine_through_cells:
            _add_to(light, layer.window, _shone(one, pile.window), share)
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


def _shone(sight: Sight, onto: Window) -> tuple[Blurred, Floats] | None:
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


def _sampling(look: Glance) -> Sampling:
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


def _signed_px(taking: Taking, view: View, onto: Window) -> Floats:
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
