"""How the parts of a scene are seen in a picture, whichever tile of it is rendered."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby

import numpy as np

from ...ground.chunks import is_small
from .. import optics
from ..blur.basis import Blur, Optics, plain_optics, reach_px, view_scale
from ..blur.defocus import ALIKE_PX
from ..blur.focusing import radius_range_px
from ..blur.pupil_cells import Cell, CellBlur, cut_pupil
from ..blur.smear import Path
from ..rig import plain_rig
from ..view.camera import Camera, Window
from ..view.sheet_view import SheetPart
from ..view.shine import BUMPY_MM, gloss_of, unsteady_mm
from ..view.view import Image, Part, reaches
from .doubt import BLOCK_PX, MARGIN_PX

#: A part is seen with at least this many samples across its smallest side.
_SAMPLES_ACROSS = 16
#: A part is seen this many samples beyond what can light a tile: slopes want neighbours.
_SPARE_SAMPLES = 3
#: Sheets whose blur radius changes by less than this per pixel need not be normalised.
_MOST_RISE = 0.005
#: Mirrored light is blurred by at most this radius, px, or so many times the widest of its surface.
_SHINE_PX, _SHINE_SHARE = 64.0, 1.5
#: Cells of the pupil for mirrored light where the depth of its image spreads by less than so much,
#: as a blur radius, px; and where by more.
_SHINE_CELLS = ((1.0, 1), (4.0, 5))
_MOST_SHINE_CELLS = 16
#: What is worked out beyond a picture reaches no farther, px.
_BEYOND_PX = MARGIN_PX + BLOCK_PX


@dataclass(frozen=True)
class Taking:
    """How a picture is taken: perspective, focus, kind of blur, and motion of living parts."""

    camera: Camera
    focus: tuple[Camera, ...]
    key: Blur
    motion: Path | None
    #: Samples of a texture per pixel side, where it is in focus and elsewhere.
    samples: tuple[int, int]

    def facing(self, part: Part) -> Taking:
        """Return the same with all cameras as they stand to a part."""
        camera = self.camera.facing(part.name, living=part.living)
        return replace(
            self,
            camera=camera,
            focus=tuple(
                camera if one is self.camera else one.facing(part.name, living=part.living)
                for one in self.focus
            ),
            motion=self.motion if part.living else None,
        )

    @cached_property
    def on_host(self) -> Taking:
        """The same, seen and blurred on the host."""
        camera = self.camera.on_host
        focus = tuple(camera if one == self.camera else one.on_host for one in self.focus)
        return replace(self, camera=camera, focus=focus)

    @cached_property
    def as_disc(self) -> Taking:
        """The same by geometric rays alone, or itself where it is so already."""
        assert isinstance(self.key, Optics)
        plain, rig = plain_optics(self.key), plain_rig(self.camera.rig)
        if self.key == plain and self.camera.rig.lens == rig.lens:
            return self
        camera = replace(self.camera, rig=rig)
        return replace(self, camera=camera, focus=(camera,), key=plain)

    def through(self, cell: Cell) -> Taking:
        """Return the same as a cell of the pupil sees it."""
        radius_mm = optics.entrance_pupil_radius_mm(self.camera.lens_rig)
        x, y = cell.middle
        eye = replace(self.camera, place_mm=(radius_mm * x, radius_mm * y))
        key = CellBlur(cell, self.key.radius_px_per_defocus_mm)
        # The cells see what is blurred each at places of its own: one sample will do.
        return replace(self, camera=eye, focus=(eye,), key=key, samples=(self.samples[0], 1))


@dataclass(frozen=True, eq=False)
class Sight:
    """How a part is seen in a picture."""

    #: From far to near.
    number: int
    part: Part
    taking: Taking
    #: The pixels that it may cover, and those that are seen of it: beyond its edge as well where
    #: it is normalised, for there it covers nothing.
    reach: Window
    shown: Window
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
    image: Sight | None = None

    def window_for(self, tile: Window) -> Window:
        """Return what is seen of it for a tile."""
        window = self.shown.common(tile.grown(self.around_px))
        return window if window.empty else window.at_scale(self.scale)

    @property
    def around_px(self) -> int:
        """How far from a tile it has to be seen."""
        return self.margin_px + _SPARE_SAMPLES * self.scale

    @cached_property
    def as_disc(self) -> Sight:
        """The same by geometric rays alone, or itself where it is so already."""
        disc = self.taking.as_disc
        return self if disc is self.taking else sights_of([self], disc)[0]

    @cached_property
    def shine_through_cells(self) -> list[tuple[float, Sight]]:
        """How each cell of the pupil sees what it mirrors, with the cell's share."""
        disc = self.as_disc
        return [
            (cell.share, replace(sights_of([disc], disc.taking.through(cell))[0], shine_bumpy=True))
            for cell in cut_pupil(self.shine_cells)
        ]


@dataclass(frozen=True, eq=False)
class Glance:
    """What is seen of a part for a tile."""

    sight: Sight
    window: Window

    @property
    def where_faster(self) -> Glance:
        """The same on the host, where it is so small that a device would begin for longer."""
        taking = self.sight.taking
        if not is_small(self.window.shape, taking.camera.device):
            return self
        return replace(self, sight=replace(self.sight, taking=taking.on_host))

    @property
    def hides(self) -> bool:
        """Whether it surely hides all that is behind it."""
        part = self.sight.part
        if part.translucent:
            return False
        return part.detail_mm > 0 and part.fills(self.sight.taking.camera, self.window)


class Sights:
    """How some parts are seen, from far to near.

    Parameters
    ----------
    sights : iterable of Sight
    """

    def __init__(self, sights: Iterable[Sight]) -> None:
        self._all = list(sights)
        windows = (one.shown for one in self._all)
        edges = [(at.row0, at.row1, at.col0, at.col1) for at in windows]
        self._edges = np.array(edges, np.int64).reshape(-1, 4).T
        self._around = np.array([one.around_px for one in self._all], np.int64)

    def looks(self, tile: Window) -> list[Glance]:
        """Return what a tile may show of them, from far to near."""
        looks: list[Glance] = []
        for number in reversed(self._near(tile)):
            sight = self._all[number]
            look = Glance(sight, sight.window_for(tile))
            looks.append(look)
            if look.hides:
                break
        return looks[::-1]

    def _near(self, tile: Window) -> list[int]:
        """Return which of them are seen for a tile."""
        row0, row1, col0, col1 = self._edges
        around = self._around
        down = np.maximum(row0, tile.row0 - around) < np.minimum(row1, tile.row1 + around)
        across = np.maximum(col0, tile.col0 - around) < np.minimum(col1, tile.col1 + around)
        return np.flatnonzero(down & across).tolist()  # type: ignore[no-any-return]


def sights_in(parts: Sequence[Part], taking: Taking) -> Sights:
    """Return how the parts of a scene, from far to near, are seen in a picture."""
    everywhere = taking.camera.frame.grown(_BEYOND_PX)
    sights: list[Sight] = []
    numbered = enumerate(parts)
    for _, some in groupby(numbered, key=lambda one: one[1].name):
        alike = list(some)
        found = _seen_alike(alike, taking.facing(alike[0][1]))
        sights += [one for one in found if not one.window_for(everywhere).empty]
    return Sights(sights)


def sights_of(sights: Sequence[Sight], taking: Taking) -> list[Sight]:
    """Return how the parts of sights of one taking are seen in another."""
    return _seen_alike([(one.number, one.part) for one in sights], taking)


def _seen_alike(numbered: Sequence[tuple[int, Part]], taking: Taking) -> list[Sight]:
    """Return how parts are seen that face all cameras alike."""
    camera, focus, key = taking.camera, taking.focus, taking.key
    parts = tuple(part for _, part in numbered)
    windows, *depths = reaches(parts, camera)
    most = radius_range_px(camera, focus, key, *depths)[1]
    # How it is seen must not depend on what a crop or a tile shows of it.
    _, nearest, farthest = reaches(parts, camera, camera.uncut)
    least, widest = radius_range_px(camera, focus, key, nearest, farthest)
    tilted = _is_tilted(camera)
    bounds = (axis.tolist() for axis in (most, least, widest, farthest))
    return [
        _sight_of(number, part, taking, window, tilted=tilted, bounds=own)
        for (number, part), window, *own in zip(numbered, windows, *bounds, strict=True)
    ]


def _sight_of(
    number: int,
    part: Part,
    taking: Taking,
    window: Window,
    *,
    tilted: bool,
    bounds: Sequence[float],
) -> Sight:
    """Return how a part is seen.

    ``bounds`` are the most blur radius in the picture, the least and the widest one in any, px, and
    its farthest camera depth, mm.
    """
    camera, key = taking.camera, taking.key
    most, least, widest, farthest = bounds
    moves = 0 if taking.motion is None else taking.motion.reach_px
    cells, bumpy = (1, False) if gloss_of(part) is None else _shine_cells(part, taking)
    shine = 0.0 if gloss_of(part) is None else max(_SHINE_PX, _SHINE_SHARE * widest)
    margin = reach_px(key, max(most, shine)) + moves
    normalised = part.extended or (part.detail_mm > 0 and tilted)
    sight = Sight(
        number=number,
        part=part,
        taking=taking,
        reach=window,
        shown=window.grown(margin) if normalised else window,
        margin_px=margin,
        scale=min(view_scale(key.size * least), _coarsest_scale(part, camera, farthest)),
        normalised=normalised,
        least_px=least,
        radius_px=(least + widest) / 2 if widest - least <= ALIKE_PX else None,
        shine_px=shine,
        shine_cells=cells,
        shine_bumpy=bumpy,
    )
    return sight if part.image is None else replace(sight, image=_image_sight(part.image, sight))


def _image_sight(image: Image, body: Sight) -> Sight:
    """Return how what is seen in a part is seen, wherever light of that part may go."""
    camera, key = body.taking.camera, body.taking.key
    nearest, farthest = image.depths_mm(camera)
    ends = radius_range_px(camera, body.taking.focus, key, np.array(nearest), np.array(farthest))
    least, widest = (float(end) for end in ends)
    motion = body.taking.motion
    margin = reach_px(key, widest) + (0 if motion is None else motion.reach_px)
    reach = body.reach.grown(body.margin_px)
    return replace(
        body,
        part=image,
        reach=reach,
        shown=reach.grown(margin),
        margin_px=margin,
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


def _shine_cells(part: Part, taking: Taking) -> tuple[int, bool]:
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


def _coarsest_scale(part: Part, camera: Camera, farthest: float) -> int:
    """Return how many pixels may be merged before the part's smallest side is too coarse."""
    side_px = part.detail_mm * camera.focal_px / farthest
    if np.isinf(side_px):
        return 1 << 30
    return int(2 ** max(0, np.floor(np.log2(max(side_px / _SAMPLES_ACROSS, 1)))))
