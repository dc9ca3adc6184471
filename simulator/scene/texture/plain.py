"""Textures without form: one colour, natural noise, and photographs as tiles."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field
from pydantic.dataclasses import dataclass

from ....ground.arrays import kept, namespace, single
from ....ground.types import Floats
from ...rig import STRICT
from ..pattern import patterns, tiles
from .painters import FineLayers, Painter, line_share, painter, resolved
from .palette import Colour, Palette, Ramp, mixed

# A contrast of 1 spreads +-2.5 deviations of the coarsest noise layer over the palette.
_DEVIATION = 0.2
# Deviation of the noise that goes on where a photograph ends, over the photograph's own.
_GRAIN = 0.25


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Flat:
    """One colour, without detail.

    Parameters
    ----------
    colour : colour
        "#rrggbb" (sRGB) or three linear factors; above 1 for a light of its own.
    """

    colour: Colour
    kind: Literal["flat"] = "flat"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Octaves:
    """Natural texture: noise over many octaves down to the pixel, with calm parts.

    Parameters
    ----------
    palette : sequence of colours
        From the lowest to the highest values.
    cell_mm : float
        Size of the largest features, mm.
    contrast : float
        1 spreads most of the texture over the whole palette.
    flatness : float
        Share of the area without texture, 0 to 0.95.
    falloff : float
        Amplitude falls as frequency to this power; 1 is the 1/f law of natural images.
    stretch, angle_deg : float
        Features are drawn out this many times along a direction (0 = x, 90 = y).
    """

    palette: Palette
    cell_mm: float = Field(gt=0)
    contrast: float = Field(default=1.0, ge=0)
    flatness: float = Field(default=0.3, ge=0, le=0.95)
    falloff: float = Field(default=1.0, ge=0.5, le=3)
    stretch: float = Field(default=1.0, ge=1, le=50)
    angle_deg: float = 0.0
    kind: Literal["octaves"] = "octaves"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Photo:
    """Texture from a photograph that the scikit-image wheel ships, recoloured.

    Parameters
    ----------
    picture : {"grass", "gravel"}
        Which photograph.
    palette : sequence of colours
        From the darkest to the brightest parts.
    tile_mm : float
        Side of the photograph on the subject, mm; finer detail goes on as noise.
    contrast : float
        1 spreads most of the picture over the whole palette.
    angle_deg : float
        The picture is turned by this angle.
    """

    picture: Literal["grass", "gravel"]
    palette: Palette
    tile_mm: float = Field(gt=0)
    contrast: float = Field(default=1.0, ge=0)
    angle_deg: float = 0.0
    kind: Literal["photo"] = "photo"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Cells:
    """A mosaic of irregular cells or grains, each with its own tone, under blotches of noise.

    Parameters
    ----------
    palette : sequence of colours
        From the darkest to the lightest cells.
    cell_mm : float
        Mean size of a cell.
    tone : float
        How much cells differ, 0 to 1 (the whole palette).
    border_colour : colour
        Between the cells.
    border : float
        Width of the borders, in cell sizes.
    blotch_mm : float
        Size of the largest blotches.
    blotch : float
        Contrast of the blotches; 1 spreads them over the whole palette.
    flatness : float
        Share of the area without blotches.
    bend : float
        How wavy the borders are, in cell sizes.
    stretch, angle_deg : float
        Cells are drawn out this many times along a direction (0 = x, 90 = y).
    """

    palette: Palette
    cell_mm: float = Field(gt=0)
    tone: float = Field(default=0.4, ge=0, le=1)
    border_colour: Colour
    border: float = Field(default=0.12, ge=0, le=0.6)
    blotch_mm: float = Field(gt=0)
    blotch: float = Field(default=0.5, ge=0)
    flatness: float = Field(default=0.3, ge=0, le=0.95)
    bend: float = Field(default=0.07, ge=0, le=0.3)
    stretch: float = Field(default=1.0, ge=1, le=20)
    angle_deg: float = 0.0
    kind: Literal["cells"] = "cells"


@painter.register
def _flat(texture: Flat, footprint_mm: float, seed: int) -> Painter:
    colour = np.array(texture.colour, np.float32)

    def paint(x: Floats, y: Floats) -> Floats:
        xp = namespace(x)
        return xp.repeat(kept(colour, xp)[:, None], x.size, axis=1).T  # type: ignore[no-any-return]

    return paint


@painter.register
def _octaves(texture: Octaves, footprint_mm: float, seed: int) -> Painter:
    period = tiles.CELLS * texture.cell_mm
    turn = np.radians(texture.angle_deg) if texture.stretch > 1 else None
    place = tiles.Placing(seed, "octaves", stretch=texture.stretch, turn=turn)
    fine = FineLayers(period, 1, texture.falloff, footprint_mm, place)
    step = tiles.cut_step(period, footprint_mm)
    coarse, lost = tiles.calm_noise_for(texture.falloff, texture.flatness, step)
    lost += float(np.mean(coarse.imag**2)) * fine.lost
    scale = single(_DEVIATION * texture.contrast)
    ramp = Ramp(texture.palette, spread=float(scale * np.sqrt(lost)))
    put = place.layer(period, 0)

    def paint(x: Floats, y: Floats) -> Floats:
        xp, both = namespace(x), tiles.look_up(coarse, *put(x, y))
        value = xp.real(both) + xp.imag(both) * fine(x, y) if fine else xp.real(both)
        return ramp(value * scale + 0.5)

    return paint


@painter.register
def _photo(texture: Photo, footprint_mm: float, seed: int) -> Painter:
    place = tiles.Placing(seed, "photo", turn=np.radians(texture.angle_deg))
    # The photograph holds 256 cycles per tile, as the coarsest noise layer does.
    fine = FineLayers(texture.tile_mm, 1, 1.0, footprint_mm, place)
    step = tiles.cut_step(texture.tile_mm, footprint_mm)
    coarse, lost = tiles.photograph_for(texture.picture, step)
    lost += _GRAIN**2 * fine.lost
    scale = single(_DEVIATION * texture.contrast)
    ramp = Ramp(texture.palette, spread=float(scale * np.sqrt(lost)))
    put = place.layer(texture.tile_mm, 0)

    def paint(x: Floats, y: Floats) -> Floats:
        value: Floats = tiles.look_up(coarse, *put(x, y))
        if fine:
            value += single(_GRAIN) * fine(x, y)
        return ramp(value * scale + 0.5)

    return paint


@painter.register
def _cells(texture: Cells, footprint_mm: float, seed: int) -> Painter:
    period = texture.blotch_mm * tiles.CELLS
    place = tiles.Placing(seed, "blotches")
    fine = FineLayers(period, 1, 1.0, footprint_mm, place)
    step = tiles.cut_step(period, footprint_mm)
    coarse, lost = tiles.calm_noise_for(1.0, texture.flatness, step)
    lost += float(np.mean(coarse.imag**2)) * fine.lost
    mosaic = patterns.mosaic(
        seed,
        cell_mm=texture.cell_mm,
        bend=texture.bend,
        stretch=texture.stretch,
        angle_deg=texture.angle_deg,
    )
    left = np.float32(resolved(texture.cell_mm, footprint_mm))
    scale, tone = np.float32(_DEVIATION * texture.blotch), np.float32(texture.tone)
    # Below the pixel: what is lost of the blotches, and tones of cells, uniform over `tone`.
    lost = float(scale**2 * lost + (1 - left**2) * texture.tone**2 / 12)
    ramp = Ramp(texture.palette, spread=float(np.sqrt(lost)))
    border_colour = np.array(texture.border_colour, np.float32)
    edge = max(footprint_mm / texture.cell_mm, 0.02)
    put = place.layer(period, 0)
    contrast, toned = float(scale), float(tone * left)

    def paint(x: Floats, y: Floats) -> Floats:
        xp, both = namespace(x), tiles.look_up(coarse, *put(x, y))
        value = xp.real(both) + xp.imag(both) * fine(x, y) if fine else xp.real(both)
        value = value * contrast + 0.5
        border, shade = mosaic(x, y)
        value += toned * (shade - 0.5)
        share = line_share(border, texture.border / 2, edge, pitch=1.0)
        return mixed(ramp(value), border_colour, share)

    return paint
