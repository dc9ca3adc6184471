"""Reliefs of living skins and round bodies: a globe, facets of an eye, ridges, scales."""

from __future__ import annotations

import math
from typing import Annotated, Literal

import numpy as np
from pydantic import Field
from pydantic.dataclasses import dataclass

from ....ground.arrays import clip, namespace, single
from ....ground.smoothstep import smoothstep
from ....ground.types import Floats
from ...rig import STRICT
from ..pattern import lattices
from ..pattern.lattices import ScaleRows
from .gauges import Gauge, bounds_mm, gauge, max_slope

_Size = Annotated[float, Field(gt=0)]

# -- globe -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Globe:
    """The near half of a ball or an egg on a flat ground: an eye, a berry, a seed, a pollen grain.

    Give the sheet an elliptic outline a little narrower than the globe.

    Parameters
    ----------
    height_mm : float
        Of its nearest point.
    radius_mm : (along x, along y)
        Of its foot.
    """

    height_mm: float = Field(gt=0)
    radius_mm: tuple[_Size, _Size]
    kind: Literal["globe"] = "globe"


# Beyond this share of the radius the side goes on evenly: a height cannot be upright.
_UPRIGHT = 0.96
_UPRIGHT_HEIGHT = math.sqrt(1 - _UPRIGHT**2)
_UPRIGHT_SLOPE = _UPRIGHT / _UPRIGHT_HEIGHT


@gauge.register
def _(relief: Globe, seed: int) -> Gauge:
    a, b = map(single, relief.radius_mm)
    height = single(relief.height_mm)

    def gauge_globe(x: Floats, y: Floats) -> Floats:
        xp = namespace(x)
        out = xp.sqrt((x / a) ** 2 + (y / b) ** 2)
        inner = xp.minimum(out, single(_UPRIGHT))
        cap = xp.sqrt(1 - inner * inner)
        return height * xp.maximum(cap - single(_UPRIGHT_SLOPE) * (out - inner), 0)  # type: ignore[no-any-return]

    return gauge_globe


@bounds_mm.register
def _(relief: Globe) -> tuple[float, float]:
    return 0.0, relief.height_mm


@max_slope.register
def _(relief: Globe) -> float:
    return relief.height_mm * _UPRIGHT_SLOPE / min(relief.radius_mm)


# -- facets ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Facets:
    """Small six-sided domes side by side: the facets of a compound eye, honeycomb, pimples.

    Parameters
    ----------
    pitch_mm : float
        From facet to facet.
    rise_mm : float
        From a corner between facets to the top of one.
    globe_mm : (along x, along y) or None
        Radius of the globe that they lie on: the pitch is then measured along its surface.
    bend : float
        How irregular they are, in pitches.
    """

    pitch_mm: float = Field(gt=0)
    rise_mm: float = Field(gt=0)
    globe_mm: tuple[_Size, _Size] | None = None
    bend: float = Field(default=0.03, ge=0, le=0.3)
    kind: Literal["facets"] = "facets"


# Where three facets meet, a difference across and one down may be those of two facets.
_CORNER = 1.33


@gauge.register
def _(relief: Facets, seed: int) -> Gauge:
    moved = lattices.bent(seed, pitch_mm=relief.pitch_mm, bend=relief.bend)
    rise, globe = single(relief.rise_mm), relief.globe_mm

    def gauge_facets(x: Floats, y: Floats) -> Floats:
        if globe is not None:
            x, y = lattices.along_ball(x, y, globe)
        out = lattices.six_sided(*moved(x, y), relief.pitch_mm)
        return rise * (1 - 3 * out * out)

    return gauge_facets


@bounds_mm.register
def _(relief: Facets) -> tuple[float, float]:
    return -1e-5 * relief.rise_mm, relief.rise_mm


@max_slope.register
def _(relief: Facets) -> float:
    steep = _CORNER * 6 / math.sqrt(3) * relief.rise_mm / relief.pitch_mm
    steep *= lattices.bend_stretch(relief.bend)
    if relief.globe_mm is None:
        return steep
    low, high = sorted(relief.globe_mm)
    return steep * lattices.ARC_STRETCH * high / low


# -- ridges ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Ridges:
    """Ridges beside each other, straight or spread like a fan: gills, ribs, pleats, furrows.

    Parameters
    ----------
    pitch_mm : float
        From ridge to ridge, at (0, 0). They run up and down; turn the sheet for another way.
    rise_mm : float
        From furrow to ridge.
    sharpness : float
        1 for even waves; more for narrow ridges between wide furrows.
    fan_mm : float or None
        They start from a point so far above (0, 0), and go all round it.
    start_mm : float
        They have risen at this distance of that point, and begin at three quarters of it.
    bend : float
        How wavy they are, in pitches.
    """

    pitch_mm: float = Field(gt=0)
    rise_mm: float = Field(gt=0)
    sharpness: float = Field(default=1.0, ge=1, le=30)
    fan_mm: float | None = Field(default=None, gt=0)
    start_mm: float = Field(default=1.0, gt=0)
    bend: float = Field(default=0.1, ge=0, le=0.3)
    kind: Literal["ridges"] = "ridges"

    @property
    def around(self) -> int:
        """Number of ridges all round a fan."""
        return max(3, round(2 * math.pi * (self.fan_mm or 0) / self.pitch_mm))


def _profile_slope(power: float) -> float:
    """Return the steepest slope of cos(t / 2)^(2 power): where sin^2 is 1 / (2 power)."""
    return power * (1 - 0.5 / power) ** (power - 0.5) / math.sqrt(2 * power)


@gauge.register
def _(relief: Ridges, seed: int) -> Gauge:
    moved = lattices.bent(seed, pitch_mm=2 * relief.pitch_mm, bend=relief.bend / 2)
    rise, power = single(relief.rise_mm), single(2 * relief.sharpness)
    turns = single(np.pi / relief.pitch_mm)

    def gauge_straight(x: Floats, y: Floats) -> Floats:
        u, _ = moved(x, y)
        xp = namespace(u)
        return rise * xp.abs(xp.cos(turns * u)) ** power  # type: ignore[no-any-return]

    fan, start = single(relief.fan_mm or 0), single(relief.start_mm)
    around = single(relief.around / 2)

    def gauge_fan(x: Floats, y: Floats) -> Floats:
        u, v = moved(x, y)
        v = v + fan
        xp = namespace(u)
        height = xp.abs(xp.cos(around * xp.atan2(u, v))) ** power
        away = xp.sqrt(u * u + v * v)
        return rise * height * smoothstep(4 * away / start - 3)  # type: ignore[no-any-return]

    return gauge_straight if relief.fan_mm is None else gauge_fan


@bounds_mm.register
def _(relief: Ridges) -> tuple[float, float]:
    return 0.0, relief.rise_mm


@max_slope.register
def _(relief: Ridges) -> float:
    steep = _profile_slope(relief.sharpness) * relief.rise_mm
    if relief.fan_mm is None:
        slope = 2 * math.pi / relief.pitch_mm * steep
    else:  # ridges begin at three quarters of the start
        nearest = 0.75 * relief.start_mm
        slope = math.hypot(relief.around / nearest * steep, 6 * relief.rise_mm / relief.start_mm)
    return slope * lattices.bend_stretch(relief.bend / 2)


# -- scales ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class ScaleRelief:
    """Rows of overlapping scales that lift toward their tips.

    Parameters
    ----------
    rows : ScaleRows
        The same as in the scales' texture.
    rise_mm : float
        From the root of a scale to its tip.
    edge : float
        Width of a scale's rounded edge, in rows.
    """

    rows: ScaleRows
    rise_mm: float = Field(gt=0)
    edge: float = Field(default=0.12, ge=0.03, le=0.5)
    kind: Literal["scales"] = "scales"


@gauge.register
def _(relief: ScaleRelief, seed: int) -> Gauge:
    field = lattices.scale_field(relief.rows, seed)
    rise, edge = single(relief.rise_mm), single(relief.edge)

    def gauge_scales(x: Floats, y: Floats) -> Floats:
        at = field(x, y)
        upper, lower = (
            clip(1 - 0.5 * inside, 0, 1) * smoothstep(inside / edge) for inside in at.inside
        )
        return rise * namespace(x).maximum(upper, lower)  # type: ignore[no-any-return]

    return gauge_scales


@bounds_mm.register
def _(relief: ScaleRelief) -> tuple[float, float]:
    return 0.0, relief.rise_mm


@max_slope.register
def _(relief: ScaleRelief) -> float:
    rows = relief.rows
    inside = math.hypot(1 / rows.row_mm, 4 * rows.tip / rows.width_mm)
    steep = (1.5 / relief.edge + 0.5) * relief.rise_mm * inside
    return steep * lattices.bend_stretch(rows.bend) * max(1, rows.row_mm / rows.width_mm)
