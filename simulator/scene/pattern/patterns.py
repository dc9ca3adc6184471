"""Forms that a texture and a relief of the same object share, so that colour and height agree.

A pattern is a frozen description; its function here turns points of the surface (mm) into
distances to lines and into places within cells. Both sides call it with the same seed.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from pydantic import Field
from pydantic.dataclasses import dataclass
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from ....ground.arrays import kept, namespace, single, take
from ....ground.smoothstep import smoothstep
from ....ground.types import Floats
from ...rig import STRICT
from ...tables import table
from . import tiles

# -- warps and cells ---------------------------------------------------------------------------

_WARP_PX = 256
_WARP_CELLS = 4.0
# The steepest change of the warp tile, in deviations per cell; measured on the tile by a test.
WARP_SLOPE = 4.5


@lru_cache(maxsize=1)
def _warp_tile() -> npt.NDArray[np.complex64]:
    n = _WARP_PX
    radius = np.hypot(np.fft.fftfreq(n, 1 / n)[:, None], np.fft.rfftfreq(n, 1 / n)[None, :])
    amplitude = np.exp(-((radius / _WARP_CELLS) ** 2))
    amplitude[0, 0] = 0
    rng = np.random.default_rng(11)
    parts = []
    for _ in range(2):
        white = np.fft.rfft2(rng.standard_normal((n, n)))
        tile = np.fft.irfft2(white * amplitude, s=(n, n))
        parts.append((tile / tile.std()).astype(np.float32))
    return tiles.wrapped(parts[0] + np.complex64(1j) * parts[1])


def warp(
    seed: int, *, cell_mm: float, shift_mm: float
) -> Callable[[Floats, Floats], tuple[Floats, Floats]]:
    """Return smooth shifts (mm) of points, to take the ruler-drawn look off a pattern.

    Parameters
    ----------
    seed : int
    cell_mm : float
        Distance over which the shift changes.
    shift_mm : float
        Standard deviation of the shift along each axis.
    """
    tile = _warp_tile()
    put = tiles.Placing(seed, "warp").layer(_WARP_CELLS * cell_mm, 0)
    most = single(shift_mm)

    def shift_of(x: Floats, y: Floats) -> tuple[Floats, Floats]:
        shift = tiles.look_up(tile, *put(x, y))
        xp = namespace(shift)
        return most * xp.real(shift), most * xp.imag(shift)

    return shift_of


CELLS_PER_TILE = 24
_CELL_PX = 512


@table(most=1)
def cell_tile() -> npt.NDArray[np.complex64]:
    """Make a periodic tile of irregular cells, 24 by 24 (a Voronoi diagram of jittered points).

    Returns
    -------
    ndarray of complex64, shape (512, 512)
        Real part: distance to the nearest border between cells, in mean cell sizes. Imaginary
        part: a tone for each cell, uniform over 0 to 1.
    """
    n = CELLS_PER_TILE
    rng = np.random.default_rng(17)
    grid = np.stack(np.meshgrid(np.arange(n), np.arange(n), indexing="ij"), axis=-1)
    seeds = ((grid + rng.uniform(0.05, 0.95, grid.shape)) / n).reshape(-1, 2)
    tone = rng.random(n * n)
    at = np.arange(_CELL_PX) / _CELL_PX
    points = np.stack(np.meshgrid(at, at, indexing="ij"), axis=-1).reshape(-1, 2)
    far, index = cKDTree(seeds, boxsize=1.0).query(points, k=7)
    # Distance to the nearest of the lines half-way between a point's own seed and the others.
    border = np.full(len(points), np.inf)
    for other in range(1, index.shape[1]):
        between = seeds[index[:, other]] - seeds[index[:, 0]]
        between -= np.rint(between)
        apart = np.sqrt(between[:, 0] ** 2 + between[:, 1] ** 2)
        line = (far[:, other] ** 2 - far[:, 0] ** 2) / (2 * apart)
        np.minimum(border, line, out=border)
    border *= n
    both = border + 1j * tone[index[:, 0]]
    return both.reshape(_CELL_PX, _CELL_PX).astype(np.complex64)


@lru_cache(maxsize=1)
def _smooth_borders() -> Floats:
    return tiles.spline(gaussian_filter(cell_tile().real, 1.0, mode="wrap"))


def borders(
    seed: int, *, cell_mm: float, bend: float, stretch: float = 1.0, angle_deg: float = 0.0
) -> Callable[[Floats, Floats], Floats]:
    """Return the distance to a border alone, as `mosaic` has it, with a continuous slope."""
    tile = _smooth_borders()
    put = _placed(seed, cell_mm, bend, stretch, angle_deg)
    return lambda x, y: tiles.look_up_smooth(tile, *put(x, y))


def mosaic(
    seed: int, *, cell_mm: float, bend: float, stretch: float = 1.0, angle_deg: float = 0.0
) -> Callable[[Floats, Floats], tuple[Floats, Floats]]:
    """Return the function from points to (distance to a border in cell sizes, tone 0 to 1).

    Parameters
    ----------
    seed : int
    cell_mm : float
        Mean size of a cell.
    bend : float
        How wavy the borders are, in cell sizes.
    stretch, angle_deg : float
        Cells are drawn out this many times along a direction (0 = x, 90 = y).
    """
    tile = tiles.wrapped(cell_tile())
    put = _placed(seed, cell_mm, bend, stretch, angle_deg)

    def at(x: Floats, y: Floats) -> tuple[Floats, Floats]:
        both = tiles.look_up(tile, *put(x, y))
        xp = namespace(both)
        return xp.real(both), xp.imag(both)

    return at


def _placed(
    seed: int, cell_mm: float, bend: float, stretch: float, angle_deg: float
) -> Callable[[Floats, Floats], tuple[Floats, Floats]]:
    turn = np.radians(angle_deg) if stretch > 1 else None
    place = tiles.Placing(seed, "mosaic", stretch=stretch, turn=turn)
    put = place.layer(CELLS_PER_TILE * cell_mm, 0)
    if bend <= 0:
        return put
    bent = warp(seed, cell_mm=0.5 * cell_mm * stretch, shift_mm=bend * cell_mm)

    def bent_put(x: Floats, y: Floats) -> tuple[Floats, Floats]:
        du, dv = bent(x, y)
        return put(x + du, y + dv)

    return bent_put


# -- leaf veins --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Veins:
    """The veins of a leaf: a midrib, paired side veins that curve to the tip, rungs between.

    The midrib runs along x, base to the left; turn the sheet for another direction.

    Parameters
    ----------
    half_width_mm : float
        Of the leaf blade; side veins taper towards it.
    spacing_mm : float
        Between side veins on one side.
    angle_deg : float
        Between midrib and side veins where they part.
    bend : float
        How strongly side veins curve to the tip.
    width_mm : float
        Of the midrib; finer orders in proportion.
    """

    half_width_mm: float = Field(default=12.0, gt=0)
    spacing_mm: float = Field(default=3.0, gt=0)
    angle_deg: float = Field(default=55.0, gt=10, lt=85)
    bend: float = Field(default=0.35, ge=0, le=1)
    width_mm: float = Field(default=0.5, gt=0)


class VeinField(NamedTuple):
    """Distances (mm) to the centre lines of three orders of veins, and their half-widths."""

    rib: Floats
    side: Floats
    rung: Floats
    rib_half: float
    side_half: Floats
    rung_half: float


# Parts of a midrib's width that the finer veins have.
_SIDE_WIDTH, _RUNG_WIDTH = 0.4, 0.16
_RUNGS_PER_SPACING = 3.0
# Deviation of the warp over the size of its cells.
VEIN_WARP = 0.04


def vein_field(veins: Veins, seed: int) -> Callable[[Floats, Floats], VeinField]:
    """Return the function from points to vein distances."""
    bent = warp(seed, cell_mm=1.5 * veins.spacing_mm, shift_mm=1.5 * VEIN_WARP * veins.spacing_mm)
    spacing = single(veins.spacing_mm)
    lean = single(1 / np.tan(np.radians(veins.angle_deg)))
    bend = single(veins.bend / veins.half_width_mm)
    rung_mm = single(veins.spacing_mm / _RUNGS_PER_SPACING)

    def field(x: Floats, y: Floats) -> VeinField:
        # The midrib itself stays nearly straight.
        xp, calm = namespace(x), y * y
        calm /= calm + single(spacing * spacing)
        shift_u, shift_v = bent(x, y)
        u, v = x + shift_u, y + shift_v * calm
        away = xp.abs(v)
        right = xp.astype(v > 0, xp.float32)
        phase = (u - away * (lean + bend * away)) / spacing + 0.5 * right
        order = xp.round(phase)
        slope = lean + 2 * bend * away
        side = xp.abs(phase - order) * spacing / xp.sqrt(1 + slope * slope)
        taper = xp.maximum(1 - away / single(veins.half_width_mm), 0.15)
        # Rungs stand in their own order between each pair of side veins.
        band = xp.floor(phase) + 31 * right
        within = phase - xp.floor(phase) - 0.5
        chance = scattered(band)
        step = (away + spacing * within * (0.5 + 0.25 * within)) / rung_mm + chance
        angle = single(2.3) * step + 40 * chance
        step += 0.25 * xp.sin(angle)
        rung = xp.abs(step - xp.round(step)) * rung_mm / (1 + single(0.575) * xp.cos(angle))
        return VeinField(
            rib=away,
            side=side,
            rung=rung,
            rib_half=veins.width_mm / 2,
            side_half=single(veins.width_mm / 2 * _SIDE_WIDTH) * taper,
            rung_half=veins.width_mm / 2 * _RUNG_WIDTH,
        )

    return field


def scattered(number: Floats) -> Floats:
    """Return a fixed random number, 0 to 1, for each whole number."""
    xp = namespace(number)
    return take(kept(_SCATTER, xp), xp.astype(number, xp.int64) & 1023)  # type: ignore[no-any-return]


_SCATTER = np.random.default_rng(23).random(1024).astype(np.float32)


# -- shell spiral ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Spiral:
    """The whorls of a snail shell seen along its axis: a logarithmic spiral (equiangular).

    Parameters
    ----------
    radius_mm : float
        From the apex (at 0, 0) to the outer suture on the right (along +x).
    growth : float
        Ratio of radii one turn apart.
    whorls : float
        Turns before the spiral ends in the smooth first whorl.
    ribs : int
        Growth ribs per turn.
    slant : float
        How far ribs lag across a whorl, in parts of a rib's spacing.
    """

    radius_mm: float = Field(gt=0)
    growth: float = Field(default=1.7, gt=1.1, le=4)
    whorls: float = Field(default=4.0, gt=0.5, le=8)
    ribs: int = Field(default=60, ge=4, le=400)
    slant: float = 3.0

    @property
    def inner_mm(self) -> float:
        """Radius inside which whorls and ribs fade out."""
        return float(self.radius_mm * self.growth**-self.whorls)


class SpiralField(NamedTuple):
    """Where points lie on a shell.

    `across` is 0 at a whorl's inner and 1 at its outer suture; `turns` counts turns along the
    spiral, 0 at the outer right, falling inwards; `scale_mm` is the radius of the outer suture
    there; `clear` fades from 1 to 0 towards the apex.
    """

    radius_mm: Floats
    across: Floats
    turns: Floats
    scale_mm: Floats
    clear: Floats


def spiral_field(spiral: Spiral) -> Callable[[Floats, Floats], SpiralField]:
    """Return the function from points to places on the spiral."""
    log_growth = single(np.log(spiral.growth))
    turn = single(1 / (2 * np.pi))
    inner = single(spiral.inner_mm)

    def field(x: Floats, y: Floats) -> SpiralField:
        xp = namespace(x)
        radius = xp.sqrt(x * x + y * y)
        outer = xp.maximum(radius, single(single(0.02) * inner))
        around = xp.atan2(y, x) * turn
        level = xp.log(outer / single(spiral.radius_mm)) / log_growth - around
        whorl = xp.floor(level)
        # Linear position across the whorl: radii grow by `growth` from suture to suture.
        across = xp.exp((level - whorl) * log_growth) - 1
        across /= single(spiral.growth - 1)
        turns = around + whorl + 1
        scale = single(spiral.radius_mm) * xp.exp(turns * log_growth)
        clear = smoothstep(radius / inner * single(1.4) - single(0.4))
        return SpiralField(radius, across, turns, scale, clear)

    return field
