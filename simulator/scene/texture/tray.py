"""Textures of the things on a naturalist's tray: a leaf's skin, a snail's shell."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

import numpy as np
from pydantic import Field
from pydantic.dataclasses import dataclass

from ....ground.arrays import namespace, single, write
from ....ground.types import Floats
from ...rig import STRICT
from ..pattern import patterns, tiles
from ..pattern.patterns import Spiral, Veins
from .painters import FineLayers, Painter, line_share, painter, soft_step
from .palette import Colour, Palette, Ramp, mixed
from .plain import Cells, Octaves


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class LeafSkin:
    """A leaf's skin: blotches over many octaves, a net of fine veins, and the veins themselves.

    Parameters
    ----------
    veins : Veins
        The same as in the leaf's relief.
    skin : Octaves
        The blade between the veins.
    vein_colour : colour
        Of the midrib; finer veins are mixed with the blade.
    net_mm : float
        Size of the meshes of the finest net of veins.
    net : float
        How strongly that net shows, 0 to 1.
    """

    veins: Veins = Veins()
    skin: Octaves | Cells
    vein_colour: Colour
    net_mm: float = Field(default=0.35, gt=0)
    net: float = Field(default=0.35, ge=0, le=1)
    kind: Literal["leaf"] = "leaf"


# How strongly side veins and rungs show beside the midrib.
_SIDE_SHARE, _RUNG_SHARE = 0.75, 0.45


@painter.register
def _leaf(texture: LeafSkin, footprint_mm: float, seed: int) -> Painter:
    veins = texture.veins
    skin = painter(texture.skin, footprint_mm, seed)
    field = patterns.vein_field(veins, seed)
    net = _net(texture, footprint_mm, seed)
    colour = np.array(texture.vein_colour, np.float32)
    # A vein under the skin has a soft edge.
    rib_edge, side_edge, rung_edge = (
        max(footprint_mm, part * veins.width_mm) for part in (0.2, 0.08, 0.04)
    )

    def paint(x: Floats, y: Floats) -> Floats:
        at = field(x, y)
        share = line_share(at.rib, at.rib_half, rib_edge, pitch=2 * veins.half_width_mm)
        side = line_share(at.side, at.side_half, side_edge, pitch=veins.spacing_mm)
        write("maximum", share, single(_SIDE_SHARE) * side, out=share)
        rung = line_share(at.rung, at.rung_half, rung_edge, pitch=veins.spacing_mm / 3)
        write("maximum", share, single(_RUNG_SHARE) * rung, out=share)
        write("maximum", share, single(texture.net) * net(x, y), out=share)
        return mixed(skin(x, y), colour, share)

    return paint


def _net(texture: LeafSkin, footprint_mm: float, seed: int) -> Callable[[Floats, Floats], Floats]:
    """Return the function from points to the share of the finest veins."""
    cell = texture.net_mm
    bent = patterns.warp(seed, cell_mm=0.5 * cell, shift_mm=0.08 * cell)
    tile = tiles.wrapped(patterns.cell_tile().real)
    put = tiles.Placing(seed, "net").layer(patterns.CELLS_PER_TILE * cell, 0)
    edge = max(footprint_mm / cell, 0.03)

    def share(x: Floats, y: Floats) -> Floats:
        du, dv = bent(x, y)
        border = tiles.look_up(tile, *put(x + du, y + dv))
        # The bends also thin the veins here and there, until some end blind.
        half = single(0.045) + single(0.15 / cell) * du
        half = namespace(half).maximum(half, single(0.012))
        return line_share(border, half, edge, pitch=1.0)

    return share


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class ShellSkin:
    """The skin of a snail shell: growth lines across the whorls, colour bands along them.

    Parameters
    ----------
    spiral : Spiral
        The same as in the shell's relief.
    palette : sequence of colours
        Of the growth lines and the ground.
    contrast : float
        Of growth lines and ground over the palette.
    bands : sequence of (place, width)
        Dark bands along the whorls: middle and full width, 0 at the inner, 1 at the outer suture.
    band_colour : colour
        Of the dark bands.
    lines_mm : float
        Typical distance between growth lines on the outer whorl.
    grain : float
        Contrast of the even grain beside that of the growth lines.
    """

    spiral: Spiral
    palette: Palette
    contrast: float = Field(default=0.8, ge=0)
    bands: tuple[tuple[float, float], ...] = ()
    band_colour: Colour = (0.06, 0.025, 0.01)
    lines_mm: float = Field(default=0.4, gt=0)
    grain: float = Field(default=0.3, ge=0)
    kind: Literal["shell"] = "shell"


_LINE_DRAW = 30.0
_SUTURE = 0.05


@painter.register
def _shell(texture: ShellSkin, footprint_mm: float, seed: int) -> Painter:
    spiral = texture.spiral
    field = patterns.spiral_field(spiral)
    # One turn of the outer whorl holds a whole number of tiles of growth lines.
    per_turn = 2 * np.pi * spiral.radius_mm / (tiles.CELLS * texture.lines_mm)
    # Lines crowd towards the apex: take the band limit of half-way in.
    step = tiles.cut_step(tiles.CELLS * texture.lines_mm / 2, footprint_mm)
    lines, _ = tiles.noise_for(0, 1.0, step)
    fine = FineLayers(4 * texture.lines_mm, 1, 1.0, footprint_mm, tiles.Placing(seed, "shell"))
    ramp = Ramp(texture.palette)
    scale = single(0.2 * texture.contrast)
    bands = [(single(place), width / 2) for place, width in texture.bands]
    dark = np.array(texture.band_colour, np.float32)
    offset = single(tiles.Placing(seed, "lines").offsets[0, 0])
    across_mm = spiral.radius_mm * (1 - 1 / spiral.growth)
    slant = single(spiral.slant / spiral.ribs)

    def paint(x: Floats, y: Floats) -> Floats:
        xp, at = namespace(x), field(x, y)
        along: Any = (at.turns - slant * at.across) * single(per_turn) + offset
        drawn: Any = at.across * single(across_mm / tiles.CELLS / texture.lines_mm / _LINE_DRAW)
        value = tiles.look_up(lines, along, drawn) * at.clear
        if fine:
            value += single(texture.grain) * fine(x, y)
        colour = ramp(value * scale + single(0.5))
        for place, half in bands:
            # Ragged by the growth lines, as pigment is laid down.
            edge = single(half) - xp.abs(at.across - place) + single(0.006) * value
            share = soft_step(edge, max(footprint_mm / across_mm, 0.02)) * at.clear
            colour = mixed(colour, dark, single(0.85) * share)
        depth = xp.minimum(at.across, 1 - at.across) * single(1 / _SUTURE)
        shadow = single(0.45) * xp.maximum(1 - depth, 0) * at.clear
        colour *= (1 - shadow)[:, None]
        return colour

    return paint
