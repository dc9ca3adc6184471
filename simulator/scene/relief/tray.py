"""Reliefs of the things on a naturalist's tray: leaf blade, snail shell, bark, lichen cup."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from pydantic import Field
from pydantic.dataclasses import dataclass

from ....ground.arrays import clip, namespace, single
from ....ground.smoothstep import smoothstep
from ....ground.types import Floats
from ...rig import STRICT
from ..pattern import patterns, tiles
from ..pattern.patterns import Spiral, Veins
from .gauges import Gauge, bounds_mm, gauge, max_slope
from .plain import Rough

# -- leaf --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class LeafBlade:
    """A leaf blade: folded at the midrib, bent along it, puffed up between its veins.

    Parameters
    ----------
    veins : Veins
        The same as in the leaf's texture.
    fold_mm : float
        How much higher (or, < 0, lower) the margin is than the midrib.
    arch_mm : float
        How much lower the ends are than the middle, at `reach_mm` from it.
    reach_mm : float
        Half the length of the leaf.
    groove_mm : float
        Depth of the midrib below (or, < 0, height above) the blade.
    puff_mm : float
        How far the blade rises between veins.
    grain_mm : float
        Deviation of small bumps, about a rung's spacing in size.
    """

    veins: Veins = Veins()
    fold_mm: float = 0.8
    arch_mm: float = 0.5
    reach_mm: float = Field(default=20.0, gt=0)
    groove_mm: float = 0.12
    puff_mm: float = Field(default=0.2, ge=0)
    grain_mm: float = Field(default=0.01, ge=0)
    kind: Literal["leaf"] = "leaf"

    @property
    def bumps(self) -> Rough:
        """The small bumps as a relief of their own."""
        return Rough(
            amplitude_mm=max(self.grain_mm, 1e-9), cell_mm=self.veins.spacing_mm / 3, falloff=2.5
        )


# Widths of the valleys beside midrib, side veins and rungs, as parts of the spacing; the depth of
# a rung's valley as a part of a side vein's.
_RIB_VALLEY, _SIDE_VALLEY, _RUNG_VALLEY, _RUNG_DEPTH = 0.3, 0.22, 0.09, 0.25
# Steepest slope of 1 - exp(-t^2), and of the soft bend sqrt(1 + t^2) - 1.
_BELL_SLOPE = math.sqrt(2 / math.e)


def _bell(distance: Floats, width: float) -> Floats:
    t = distance / single(width)
    return namespace(t).exp(-t * t)  # type: ignore[no-any-return]


@gauge.register
def _(relief: LeafBlade, seed: int) -> Gauge:
    spacing = relief.veins.spacing_mm
    field = patterns.vein_field(relief.veins, seed)
    bumps = gauge(relief.bumps, seed)
    half, reach = single(relief.veins.half_width_mm), single(relief.reach_mm)
    fold, arch = single(relief.fold_mm), single(relief.arch_mm)
    puff, groove = single(relief.puff_mm), single(relief.groove_mm)

    def gauge_leaf(x: Floats, y: Floats) -> Floats:
        xp, at = namespace(x), field(x, y)
        blade = 1 - _bell(at.rib, _RIB_VALLEY * spacing)
        blade *= 1 - _bell(at.side, _SIDE_VALLEY * spacing)
        blade *= 1 - single(_RUNG_DEPTH) * _bell(at.rung, _RUNG_VALLEY * spacing)
        height = puff * blade
        height -= groove * _bell(at.rib, relief.veins.width_mm)
        height += bumps(x, y)
        # Soft |y|: the fold is rounded over the midrib's width.
        width = single(relief.veins.width_mm)
        side = xp.sqrt(xp.minimum(y * y, single(half * half)) + single(width * width)) - width
        height += fold * side / half
        along = clip(x / reach, -1, 1)
        height -= arch * along * along
        return height

    return gauge_leaf


@bounds_mm.register
def _(relief: LeafBlade) -> tuple[float, float]:
    low, high = bounds_mm(relief.bumps)
    groove = (min(-relief.groove_mm, 0), max(-relief.groove_mm, 0))
    fold = (min(relief.fold_mm, 0), max(relief.fold_mm, 0))
    arch = (min(-relief.arch_mm, 0), max(-relief.arch_mm, 0))
    parts = ((low, high), groove, fold, arch, (0, relief.puff_mm))
    return sum(part[0] for part in parts), sum(part[1] for part in parts)


@max_slope.register
def _(relief: LeafBlade) -> float:
    veins = relief.veins
    steep = _BELL_SLOPE * relief.puff_mm / veins.spacing_mm
    valleys = steep * (1 / _RIB_VALLEY + 1 / _SIDE_VALLEY + _RUNG_DEPTH / _RUNG_VALLEY)
    valleys += _BELL_SLOPE * abs(relief.groove_mm) / veins.width_mm
    # The warp stretches distances by at most this factor.
    valleys *= 1 + patterns.VEIN_WARP * patterns.WARP_SLOPE
    shape = abs(relief.fold_mm) / veins.half_width_mm + 2 * abs(relief.arch_mm) / relief.reach_mm
    return valleys + shape + max_slope(relief.bumps)


# -- snail shell -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Shell:
    """A snail shell seen along its axis: a spiral of rounded whorls on a dome, with growth ribs.

    Parameters
    ----------
    spiral : Spiral
        The same as in the shell's texture.
    height_mm : float
        From the apex down to where the dome meets the outer suture on the right.
    bulge : float
        Height of a whorl above its sutures, in parts of its width.
    rib : float
        Height of a growth rib, in parts of the whorl's width.
    """

    spiral: Spiral
    height_mm: float = Field(gt=0)
    bulge: float = Field(default=0.22, ge=0, le=0.6)
    rib: float = Field(default=0.006, ge=0, le=0.1)
    kind: Literal["shell"] = "shell"


_DOME_POWER = 1.6
# The dome goes on this far beyond the spiral's radius before it levels off.
_DOME_REACH = 1.6


@gauge.register
def _(relief: Shell, seed: int) -> Gauge:
    spiral = relief.spiral
    field = patterns.spiral_field(spiral)
    width = single(1 - 1 / spiral.growth)
    bulge, rib = single(relief.bulge), single(relief.rib)
    ribs = single(2 * np.pi * spiral.ribs)
    slant = single(2 * np.pi * spiral.slant)

    def gauge_shell(x: Floats, y: Floats) -> Floats:
        xp, at = namespace(x), field(x, y)
        out = xp.minimum(at.radius_mm / single(spiral.radius_mm), _DOME_REACH)
        height = single(relief.height_mm) * (1 - out ** single(_DOME_POWER))
        middle = 2 * at.across - 1
        profile = 1 - middle * middle
        grown = bulge + rib * xp.sin(ribs * at.turns - slant * at.across) * profile
        height += profile * grown * width * at.scale_mm * at.clear
        return height

    return gauge_shell


@bounds_mm.register
def _(relief: Shell) -> tuple[float, float]:
    widest = relief.spiral.radius_mm * _DOME_REACH * relief.spiral.growth
    whorl = (relief.bulge + relief.rib) * widest * (1 - 1 / relief.spiral.growth)
    return relief.height_mm * (1 - _DOME_REACH**_DOME_POWER) - whorl, relief.height_mm + whorl


@max_slope.register
def _(relief: Shell) -> float:
    spiral = relief.spiral
    growth, width = spiral.growth, 1 - 1 / spiral.growth
    turning = np.log(growth) / (2 * np.pi)
    dome = relief.height_mm / spiral.radius_mm * _DOME_POWER * _DOME_REACH ** (_DOME_POWER - 1)
    # Across a whorl the profile falls by 4 in its own units; along it, by the spiral's pitch.
    both = relief.bulge + 2 * relief.rib
    whorls = both * (4 * (1 + turning) + width * growth * turning + 1.5 * growth * width)
    ribs = relief.rib * (width * spiral.ribs * growth + 2 * np.pi * abs(spiral.slant))
    return float(dome + whorls + ribs)


# -- bark and crusts ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Plates:
    """Plates with fissures between them: bark, a crust, dried mud, scales.

    Parameters
    ----------
    cell_mm : float
        Mean width of a plate.
    stretch, angle_deg : float
        Plates are drawn out this many times along a direction (0 = x, 90 = y).
    rise_mm : float
        From the bottom of a fissure to the top of a plate.
    fissure : float
        Width of a fissure's side, in plate widths.
    bend : float
        How wavy the fissures are, in plate widths.
    rough_mm : float
        Deviation of the roughness on the plates.
    """

    cell_mm: float = Field(gt=0)
    stretch: float = Field(default=1.0, ge=1, le=20)
    angle_deg: float = 0.0
    rise_mm: float = Field(gt=0)
    fissure: float = Field(default=0.22, gt=0.02, le=0.6)
    bend: float = Field(default=0.12, ge=0, le=0.3)
    rough_mm: float = Field(default=0.03, ge=0)
    kind: Literal["plates"] = "plates"

    @property
    def bumps(self) -> Rough:
        """The roughness as a relief of its own."""
        return Rough(amplitude_mm=max(self.rough_mm, 1e-9), cell_mm=0.5 * self.cell_mm, falloff=2.0)


# Heights of the plates differ by this share of the rise, rising from their borders inwards.
_PLATE_TONE = 0.4
# A distance to a border has slope 1; what the warp and the spline may add.
_CELL_SLOPE = 1.1


@gauge.register
def _(relief: Plates, seed: int) -> Gauge:
    border_at = patterns.borders(
        seed,
        cell_mm=relief.cell_mm,
        bend=relief.bend,
        stretch=relief.stretch,
        angle_deg=relief.angle_deg,
    )
    bumps = gauge(relief.bumps, seed)
    rise, width = single(relief.rise_mm), single(relief.fissure)

    def gauge_plates(x: Floats, y: Floats) -> Floats:
        border = border_at(x, y)
        plate = smoothstep(border / width) * single(1 - _PLATE_TONE)
        plate += single(_PLATE_TONE) * namespace(x).minimum(border / single(0.6), 1)
        return rise * (plate - 1) + bumps(x, y)

    return gauge_plates


@bounds_mm.register
def _(relief: Plates) -> tuple[float, float]:
    low, high = bounds_mm(relief.bumps)
    return low - relief.rise_mm * 1.05, high


@max_slope.register
def _(relief: Plates) -> float:
    steep = 1.5 * (1 - _PLATE_TONE) / relief.fissure + _PLATE_TONE / 0.6
    steep *= relief.rise_mm / relief.cell_mm * _CELL_SLOPE
    return steep * (1 + 2 * relief.bend * patterns.WARP_SLOPE) + max_slope(relief.bumps)


# -- lichen cup --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Bowl:
    """A round hollow with a rolled lip, height 0 at the lip: the mouth of a lichen's goblet.

    Give the sheet an elliptic outline a little wider than the bowl.

    Parameters
    ----------
    radius_mm, depth_mm : float
        Of the hollow, from the lip.
    lip : float
        Width of the rolled lip, in radii.
    lobes : float
        How much the lip goes up and down, in radii.
    grain_mm : float
        Deviation of the grains that cover it.
    """

    radius_mm: float = Field(gt=0)
    depth_mm: float = Field(gt=0)
    lip: float = Field(default=0.12, gt=0.02, le=0.5)
    lobes: float = Field(default=0.08, ge=0, le=0.3)
    grain_mm: float = Field(default=0.003, ge=0)
    kind: Literal["bowl"] = "bowl"

    @property
    def bumps(self) -> Rough:
        """The grains as a relief of their own."""
        return Rough(amplitude_mm=max(self.grain_mm, 1e-9), cell_mm=0.08, falloff=2.0)


# The lobes: waves around the lip, (number, share of the height).
_LOBES = ((2, 0.5), (3, 0.5))


@gauge.register
def _(relief: Bowl, seed: int) -> Gauge:
    bumps = gauge(relief.bumps, seed)
    size, depth = single(relief.radius_mm), single(relief.depth_mm)
    lip, lobes = single(relief.lip), single(relief.lobes * relief.radius_mm)
    turns = (tiles.Placing(seed, "lobes").offsets[:2, 0] * np.float32(2 * np.pi)).tolist()

    def gauge_bowl(x: Floats, y: Floats) -> Floats:
        xp = namespace(x)
        away = xp.sqrt(x * x + y * y) / size
        angle = xp.atan2(y, x)
        inside = xp.minimum(away, 1)
        height = depth * (inside * inside - 1)
        beyond = clip((away - 1) / lip, 0, 2)
        height -= single(single(0.5 * relief.lip) * size) * beyond * beyond
        wave = sum(
            single(share) * xp.sin(number * angle + turn)
            for (number, share), turn in zip(_LOBES, turns, strict=True)
        )
        height += lobes * wave * inside * inside
        return height + bumps(x, y)  # type: ignore[no-any-return]

    return gauge_bowl


@bounds_mm.register
def _(relief: Bowl) -> tuple[float, float]:
    low, high = bounds_mm(relief.bumps)
    lobes = relief.lobes * relief.radius_mm
    deepest = max(relief.depth_mm, lobes + 2 * relief.lip * relief.radius_mm)
    return low - deepest, high + lobes


@max_slope.register
def _(relief: Bowl) -> float:
    bowl = max(2 * relief.depth_mm / relief.radius_mm, 2.0)
    # Waves: up to three per turn, half the height each; along the radius, twice the height.
    return bowl + relief.lobes * (2.5 + 2) + max_slope(relief.bumps)
