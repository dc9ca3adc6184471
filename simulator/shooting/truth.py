"""What is true about a stack: ideal and achievable picture, depth, best frame, regions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from itertools import chain
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from ...ground.srgb import luma
from ...ground.types import Bools, Floats
from ..blur.basis import Optics, optics_of
from ..blur.focusing import blur_and_beyond_px, defocus_mm, is_same_view, own_blur_px
from ..compositing.render import (
    SOLID,
    joined,
    present_parts,
    render,
    side_for,
    tiles_of,
    views_in,
)
from ..scene.scene import Scene
from ..view.camera import Camera, Window
from ..view.parts import parts_of
from ..view.sheet_view import SheetPart
from ..view.shine import BUMPY_MM, gloss_of, shine_view, unsteady_mm
from ..view.view import Part, View

#: So near the edge of the frame that shows a point best, px, the picture that could have been had
#: depends on how far a blur reaches over that edge: such points are not judged ...
_FRAME_EDGE_PX = 4.0
#: ... where the next best frame has a blur radius this much larger, px.
_SEEN_PX = 0.25
_REGION_NAMES = (
    "valid",  # has a depth, and is not at the very edge of the frame that shows it best
    "occlusion-band",
    "fibres",
    "highlights",
    "textured",
    "smooth",
    "moving",
    "never-in-focus",
)
#: Bits of the region image, by name. A pixel may be in several regions.
REGIONS = {name: 1 << place for place, name in enumerate(_REGION_NAMES)}
#: What a scene with gloss has beside them, ...
GLOSS_REGION = {"gloss": 1 << len(_REGION_NAMES)}
#: ... and what only scenes have with surfaces that light comes through.
CLEAR_REGIONS = {"translucent": 1 << 9, "refracted": 1 << 10}
#: The same by the image of the truth that is there where they are.
REGIONS_OF = {"highlight_depth_mm": GLOSS_REGION, "depth_behind_mm": CLEAR_REGIONS}
#: A surface that lets less light than this through, mean of its channels, is not seen through.
CLEAR = 0.1
#: Mirrored light counts as a highlight from this on, 1 = saturation, ...
_LEAST_SHINE = 0.05
#: ... where it is at least so many times as bright as the rest. [assumption]
_SHINE_SHARE = 0.5
#: A best blur radius above this, px, is a gap: nowhere in focus.
NEVER_PX = 1.5
#: Widest band about an occluding edge, px.
_WIDEST_BAND_PX = 48
_EDGE_PX = 1.0
#: Rms contrast of the ideal picture over 9 x 9 pixels, in its own level, that counts as texture.
_TEXTURE_CONTRAST = 0.03


@dataclass(frozen=True, kw_only=True, eq=False)
class Truth:
    """The truth in the view of one frame.

    Parameters
    ----------
    reference : int
        The frame.
    ideal : array (rows, cols, 3)
        Linear light with everything in focus, through that lens at its sharpest.
    achievable : array (rows, cols, 3)
        The same with, at each point, the least defocus of any usable frame.
    depth_mm : array (rows, cols)
        z along the optical axis, from the origin, of the nearest surface that covers half of the
        pixel or more, however much light it lets through; in the region "refracted" of the image
        that is seen in it; NaN where nothing is hit.
    best_frame : array (rows, cols) of int16
        The usable frame in which the point is sharpest; -1 where nothing is hit.
    residual_blur_px : array (rows, cols)
        Blur radius in that frame.
    coverage : array (rows, cols)
        Share of the pixel covered by the part whose depth it has; below 1 a pixel is mixed.
    edge_distance_px : array (rows, cols)
        Distance to the nearest occluding edge.
    regions : array (rows, cols) of unsigned integers
        Bits of `region_bits`, in the smallest type that holds them all.
    highlight_depth_mm : array (rows, cols) or None
        z, as of ``depth_mm``, of the image of the flash that a glossy surface shows there; NaN
        outside the region "gloss". None where the scene has no gloss.
    depth_behind_mm : array (rows, cols) or None
        In the region "translucent", z of the nearest opaque surface behind all that is seen
        through, or of the image in it; NaN elsewhere, and where there is none. None for a scene
        without surfaces that light comes through.
    """

    reference: int
    ideal: Floats
    achievable: Floats
    depth_mm: Floats
    best_frame: npt.NDArray[np.int16]
    residual_blur_px: Floats
    coverage: Floats
    edge_distance_px: Floats
    regions: npt.NDArray[np.unsignedinteger]
    highlight_depth_mm: Floats | None = None
    depth_behind_mm: Floats | None = None

    @property
    def region_bits(self) -> dict[str, int]:
        """Bits of the region image, by name: `REGIONS`, and what of `REGIONS_OF` the scene has."""
        there = (bits for name, bits in REGIONS_OF.items() if getattr(self, name) is not None)
        return dict(chain(REGIONS.items(), *(bits.items() for bits in there)))

    def mask(self, region: str) -> Bools:
        """Return where a region is, array (rows, cols) of bool.

        Parameters
        ----------
        region : str
            A key of `REGIONS`, or of those in `REGIONS_OF`, which are nowhere in other scenes.
        """
        if region not in self.region_bits and any(region in more for more in REGIONS_OF.values()):
            return np.zeros(self.regions.shape, bool)
        return (self.regions & self.region_bits[region]) > 0


#: Arrays (rows, cols, ...) by name.
Layer = dict[str, npt.NDArray[Any]]
#: What the truth is made of, each tile by tile; what takes longest first.
LAYERS = ("achievable", "ideal", "nearest")


def layer_side(name: str, scene: Scene, device: str) -> int:
    """Return the longest side of a layer's tiles, px: what is not lit never leaves the host."""
    return side_for(scene, "cpu" if name == "nearest" else device)


@dataclass(frozen=True, kw_only=True)
class TruthView:
    """What the truth in one camera's view is made of.

    Parameters
    ----------
    scene : Scene
    camera : Camera
        The perspective.
    frames : mapping of int to Camera
        The usable frames.
    reference : int
        The frame that the perspective is of, usable or not.
    diffraction : bool
    device : str
        What the pictures are worked out on, of `ground.arrays.DEVICES`.
    """

    scene: Scene
    camera: Camera
    frames: Mapping[int, Camera]
    reference: int
    diffraction: bool = True
    device: str = "cpu"

    def truth(self) -> Truth:
        """Work out all of it."""
        return self.whole({name: self.layer(name) for name in LAYERS})

    def layer(self, name: str, *, tile: int | None = None) -> Layer:
        """Work out one of `LAYERS`, or one tile of it.

        Parameters
        ----------
        name : str
        tile : int or None
            By its place in `simulator.compositing.render.tiles_of`; None: all of them.

        Returns
        -------
        dict of str to array (rows, cols, ...)
            For `whole`, by name.
        """
        if name != "nearest":
            focus = self._focus if name == "achievable" else ()
            picture = render(
                self.scene,
                self.camera,
                focus=focus,
                diffraction=self.diffraction,
                tile=tile,
                device=self.device,
            )
            return {name: picture}
        tiles = list(tiles_of(self.camera.frame))
        if tile is not None:
            return self._nearest(tiles[tile])
        return self.joined(name, map(self._nearest, tiles))

    def joined(self, name: str, tiles: Iterable[Layer]) -> Layer:
        """Lay the tiles of a layer, in their order, together."""
        camera = self.camera if name == "nearest" else self.camera.centred()  # as it is rendered
        found, side = list(tiles), layer_side(name, self.scene, self.device)
        return {
            key: joined(camera.frame, (tile.pop(key) for tile in found), side)
            for key in list(found[0])
        }

    def whole(self, layers: Mapping[str, Layer]) -> Truth:
        """Work out the truth, given all layers."""
        ideal, seen = layers["ideal"]["ideal"], _Seen(**layers["nearest"])
        key = optics_of(self.camera.lens_rig, pitch_um=self.camera.pitch_um)
        edge_distance, band = _edges(seen, self.camera, key)
        parts = parts_of(self.scene)
        clear = any(part.translucent or part.image is not None for part in parts)
        gloss = _highlights(seen, ideal)
        return Truth(
            reference=self.reference,
            ideal=ideal,
            achievable=layers["achievable"]["achievable"],
            depth_mm=seen.depth_mm,
            best_frame=seen.best_frame,
            residual_blur_px=seen.residual_px,
            coverage=seen.coverage,
            edge_distance_px=edge_distance,
            regions=_regions(seen, ideal, band, gloss, clear=clear),
            highlight_depth_mm=_where(gloss, seen.shine_depth_mm),
            depth_behind_mm=seen.behind_mm if clear else None,
        )

    @property
    def _focus(self) -> tuple[Camera, ...]:
        # The reference first: ties and points that no other frame holds go to it.
        others = tuple(camera for number, camera in self.frames.items() if number != self.reference)
        return ((self.camera,) if self.reference in self.frames else ()) + others

    def _nearest(self, tile: Window) -> Layer:
        """Find what the nearest part at each pixel of a tile is like, as `_Seen` holds it."""
        camera, frames = self.camera, self.frames
        parts = present_parts(self.scene, camera)
        seen = _Seen.nothing(tile.shape, gloss=any(gloss_of(part) for part in parts_of(self.scene)))
        key = optics_of(camera.lens_rig, pitch_um=camera.pitch_um, diffraction=self.diffraction)
        moved = any(other.subject != camera.subject for other in frames.values())
        # Numbers that hold in all tiles: an edge may lie between two of them.
        numbers = {id(part): number for number, part in enumerate(parts)}
        for part, view in views_in(self.scene, camera, tile):
            area = view.window.slices_in(tile)
            solid = np.ones(view.window.shape, bool)
            if view.coverage is not None:
                solid = view.coverage >= SOLID
                if part.region == "fibres":
                    seen.fibre[area] |= view.coverage > 0
            if not solid.any():
                continue
            sharpest = _sharpest(part, view, camera, frames, key)
            seen.residual_px[area][solid] = sharpest.blur_px[solid]
            seen.best_frame[area][solid] = sharpest.frame[solid]
            seen.frame_edge[area][solid] = sharpest.frame_edge[solid]
            depth = np.broadcast_to(view.depth_mm, solid.shape)
            surface = depth if view.surface_mm is None else view.surface_mm
            seen.surface_mm[area][solid] = np.broadcast_to(surface, solid.shape)[solid]
            seen.refracted[area][solid] = part.image is not None
            # What was seen through before goes on being, and what is behind it.
            opaque = np.where(seen.translucent[area], seen.behind_mm[area], seen.depth_mm[area])
            through = solid & _is_seen_through(view)
            seen.behind_mm[area][solid] = np.where(through, opaque, np.float32(np.nan))[solid]
            seen.translucent[area][solid] = through[solid]
            seen.depth_mm[area][solid] = depth[solid]
            seen.part[area][solid] = numbers[id(part)]
            seen.living[area][solid] = moved and part.living
            cover = np.ones(solid.shape, np.float32) if view.coverage is None else view.coverage
            seen.coverage[area][solid] = cover[solid]
            if part.region != "fibres":
                seen.fibre[area][solid] = False
            if seen.shine is not None and seen.shine_depth_mm is not None:
                noted = seen.shine[area], seen.shine_depth_mm[area]
                _note_shine(noted, part, view, camera, solid, gain=self.scene.lighting.gain)
        origin = np.float32(camera.rotation[:, 2] @ camera.pupil_mm)
        for whole in (seen.depth_mm, seen.behind_mm, seen.surface_mm, seen.shine_depth_mm):
            if whole is not None:
                whole[:] += origin
        held = {field.name: getattr(seen, field.name) for field in fields(seen)}
        return {name: values for name, values in held.items() if values is not None}


def truth_of(
    scene: Scene,
    camera: Camera,
    frames: Mapping[int, Camera],
    *,
    reference: int,
    diffraction: bool = True,
) -> Truth:
    """Return the truth in one camera's view, given the cameras of the usable frames."""
    return TruthView(
        scene=scene, camera=camera, frames=frames, reference=reference, diffraction=diffraction
    ).truth()


@dataclass(frozen=True, eq=False)
class _Seen:
    """What the nearest part at each pixel is like, arrays (rows, cols)."""

    depth_mm: Floats
    best_frame: npt.NDArray[np.int16]
    residual_px: Floats
    coverage: Floats
    fibre: Bools
    living: Bools
    frame_edge: Bools
    part: npt.NDArray[np.int32]
    #: Depth of the nearest opaque surface behind what is translucent; NaN elsewhere.
    behind_mm: Floats
    translucent: Bools
    refracted: Bools
    #: Camera depth of the surface itself, where ``depth_mm`` is that of an image in it.
    surface_mm: Floats
    #: Luma of the mirrored light and camera depth of its image, of a scene with gloss.
    shine: Floats | None = None
    shine_depth_mm: Floats | None = None

    @classmethod
    def nothing(cls, shape: tuple[int, int], *, gloss: bool) -> _Seen:
        """Return what is to be filled in."""
        return cls(
            depth_mm=np.full(shape, np.nan, np.float32),
            best_frame=np.full(shape, -1, np.int16),
            residual_px=np.full(shape, np.inf, np.float32),
            coverage=np.zeros(shape, np.float32),
            fibre=np.zeros(shape, bool),
            living=np.zeros(shape, bool),
            frame_edge=np.zeros(shape, bool),
            part=np.full(shape, -1, np.int32),
            behind_mm=np.full(shape, np.nan, np.float32),
            translucent=np.zeros(shape, bool),
            refracted=np.zeros(shape, bool),
            surface_mm=np.full(shape, np.nan, np.float32),
            shine=np.zeros(shape, np.float32) if gloss else None,
            shine_depth_mm=np.full(shape, np.nan, np.float32) if gloss else None,
        )


def _is_seen_through(view: View) -> Bools:
    """Return where a view's part lets through enough of the light behind its own coverage."""
    if view.held is None:
        return np.zeros(view.window.shape, bool)
    covered = np.float32(1) if view.coverage is None else view.coverage
    return view.held.mean(axis=-1) <= (1 - CLEAR) * covered


def _note_shine(
    noted: tuple[Floats, Floats],
    part: Part,
    view: View,
    camera: Camera,
    solid: Bools,
    *,
    gain: float,
) -> None:
    """Note what the nearest part so far mirrors, and how deep its image lies, in place.

    An opaque part hides what was mirrored behind it, a clear one dims it.
    """
    shine, depth = noted
    shine[solid] *= _let_through(view)[solid]
    if gloss_of(part) is not None:
        eye = camera.facing(part.name, living=part.living)
        pixel_mm = eye.distance_mm / eye.focal_px
        bumpy = isinstance(part, SheetPart) and unsteady_mm(part, pixel_mm) > BUMPY_MM
        seen = shine_view(part, eye, view.window, bumpy=bumpy)
        own = luma(seen.colour) if gain == 1 else np.float32(gain) * luma(seen.colour)
        brighter = solid & (own >= shine)
        depth[brighter] = np.broadcast_to(seen.depth_mm, solid.shape)[brighter]
        shine[solid] += own[solid]


def _let_through(view: View) -> Floats:
    """Return the share of the light from behind that gets through where a part is seen, as luma."""
    if view.held is None:
        return np.zeros(view.window.shape, np.float32)
    return luma(1 - view.held)


def _highlights(seen: _Seen, ideal: Floats) -> Bools | None:
    """Return where mirrored light stands out from the rest; None of a scene without gloss."""
    if seen.shine is None:
        return None
    rest = np.maximum(luma(ideal) - seen.shine, 0)
    bright = (seen.shine >= _LEAST_SHINE) & (seen.shine >= _SHINE_SHARE * rest)
    return bright & np.isfinite(seen.depth_mm) & ~seen.frame_edge


@dataclass(frozen=True, kw_only=True, eq=False)
class _Sharpest:
    """The least blur radius over the frames, px, the frame that has it, and the frames' edges."""

    blur_px: Floats
    frame: npt.NDArray[np.int16]
    frame_edge: Bools


def _sharpest(
    part: Part, view: View, camera: Camera, frames: Mapping[int, Camera], key: Optics
) -> _Sharpest:
    """Find the sharpest frame of each sample among those that have it in their picture."""
    eye = camera.facing(part.name, living=part.living)
    shape = view.window.shape
    least = np.full(shape, np.inf, np.float32)
    second = least.copy()
    best = np.full(shape, -1, np.int16)
    edges: list[tuple[int, Floats, Bools]] = []
    for number, other in frames.items():
        facing = eye if other is camera else other.facing(part.name, living=part.living)
        if is_same_view(eye, facing):
            size = np.abs(own_blur_px(eye, key, view.window, view.depth_mm))
        else:
            size, beyond = blur_and_beyond_px(eye, facing, key, view.window, view.depth_mm)
            size = np.abs(size)
            near = np.abs(beyond) < _FRAME_EDGE_PX
            if near.any():
                edges.append((number, size, near))
            size = np.where(beyond > 0, np.float32(np.inf), size)
        size = np.broadcast_to(size, shape)
        best[size < least] = number
        np.minimum(second, np.maximum(least, size), out=second)
        np.minimum(least, size, out=least)
    at_edge = np.zeros(shape, bool)
    for number, size, near in edges:
        without = np.where(best == number, second, least)
        at_edge |= near & (size + _SEEN_PX < without)
    return _Sharpest(blur_px=least, frame=best, frame_edge=at_edge)


def _edges(seen: _Seen, camera: Camera, key: Optics) -> tuple[Floats, Bools]:
    """Return the distance to the nearest occluding edge, px, and the band about such edges.

    An edge lies between two pixels of different parts whose depths differ by more blur than one
    pixel when one of them is in focus. The band about it is as wide as that blur.
    """
    depth = np.nan_to_num(seen.surface_mm, nan=1e3)
    jump = np.zeros(depth.shape, np.float32)
    for axis in (0, 1):
        step = np.abs(np.diff(depth, axis=axis))
        step *= np.diff(seen.part, axis=axis) != 0
        before = [slice(None)] * 2
        after = [slice(None)] * 2
        before[axis], after[axis] = slice(None, -1), slice(1, None)
        for side in (tuple(before), tuple(after)):
            jump[side] = np.maximum(jump[side], step)
    radius = key.radius_px_per_defocus_mm * np.abs(defocus_mm(camera, jump))
    edge = radius > _EDGE_PX
    band = np.zeros(depth.shape, bool)
    distance = np.full(depth.shape, np.inf, np.float32)
    if not edge.any():
        return distance, band
    distance = ndimage.distance_transform_edt(~edge).astype(np.float32)
    low = _EDGE_PX
    while low < _WIDEST_BAND_PX and (radius > low).any():
        wide = min(2 * low, _WIDEST_BAND_PX)
        band |= ndimage.distance_transform_edt(radius <= low) <= wide
        low *= 2
    return distance, band


def _where(gloss: Bools | None, depth_mm: Floats | None) -> Floats | None:
    """Return a depth where there are highlights, NaN elsewhere; None of a scene without gloss."""
    if gloss is None or depth_mm is None:
        return None
    return np.where(gloss, depth_mm, np.float32(np.nan))


def _regions(
    seen: _Seen, ideal: Floats, band: Bools, gloss: Bools | None, *, clear: bool
) -> npt.NDArray[np.unsignedinteger]:
    valid = np.isfinite(seen.depth_mm) & ~seen.frame_edge
    bright = ndimage.binary_dilation(ideal.max(axis=2) > 1.0, iterations=2)
    level = luma(ideal)
    mean = ndimage.uniform_filter(level, 9)
    spread = np.sqrt(np.maximum(ndimage.uniform_filter(level * level, 9) - mean * mean, 0))
    textured = spread > _TEXTURE_CONTRAST * np.maximum(mean, 0.02)
    masks = {
        "valid": valid,
        "occlusion-band": band & valid,
        "fibres": seen.fibre,
        "highlights": bright,
        "textured": textured & valid,
        "smooth": ~textured & valid & ~band,
        "moving": seen.living,
        "never-in-focus": valid & (seen.residual_px > NEVER_PX),
    }
    bits = REGIONS
    if gloss is not None:
        masks, bits = masks | {"gloss": gloss}, bits | GLOSS_REGION
    if clear:
        masks |= {"translucent": seen.translucent, "refracted": seen.refracted}
        bits = bits | CLEAR_REGIONS
    return with_bits(masks, bits)


def with_bits(
    masks: Mapping[str, Bools], bits: Mapping[str, int]
) -> npt.NDArray[np.unsignedinteger]:
    """Return masks of one shape as the bits of one image, in the smallest type that holds them."""
    kind = np.min_scalar_type(max(bits.values())).type
    image = np.zeros(np.shape(next(iter(masks.values()))), kind)
    for name, mask in masks.items():
        image |= np.where(mask, kind(bits[name]), kind(0))
    return image
