"""Engineering targets: bars, slanted edges and their like, averaged over the pixel by formula."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np
from pydantic import Field
from pydantic.dataclasses import dataclass

from ....ground.arrays import kept, namespace, single
from ....ground.smoothstep import smoothstep
from ....ground.types import Floats
from ...rig import STRICT
from ..pattern import tiles
from .painters import Painter, painter, resolved, soft_step, turned
from .palette import Colour


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Bars:
    """Straight bars of two colours.

    Parameters
    ----------
    colours : two colours
        The bars, and the gaps between them.
    pitch_mm : float
        From bar to bar, mm.
    duty : float
        Width of a bar over the pitch.
    angle_deg : float
        0 for upright bars (they follow each other along x), turning clockwise in the picture.
    """

    colours: tuple[Colour, Colour]
    pitch_mm: float = Field(gt=0)
    duty: float = Field(default=0.5, gt=0, lt=1)
    angle_deg: float = 0.0
    kind: Literal["bars"] = "bars"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Edges:
    """Slanted squares on a plain field, for edge-based measurements of sharpness.

    ISO 12233 asks for a low contrast (4:1 between the tones) and a small slant (about 5 degrees).

    Parameters
    ----------
    colours : two colours
        The squares, and the field.
    cell_mm : float
        From square to square; a square fills half of it each way.
    angle_deg : float
        Slant of the squares.
    """

    colours: tuple[Colour, Colour] = ((0.16, 0.16, 0.16), (0.64, 0.64, 0.64))
    cell_mm: float = Field(gt=0)
    angle_deg: float = 5.0
    kind: Literal["edges"] = "edges"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Checker:
    """A chessboard of two colours.

    Parameters
    ----------
    colours : two colours
        In turn.
    cell_mm : float
        Side of a square.
    angle_deg : float
        Turns the board clockwise in the picture.
    """

    colours: tuple[Colour, Colour]
    cell_mm: float = Field(gt=0)
    angle_deg: float = 0.0
    kind: Literal["checker"] = "checker"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Spokes:
    """Stars of spokes that narrow to the middle (Siemens stars), on a square grid.

    Parameters
    ----------
    colours : two colours
        The spokes, and the gaps.
    count : int
        Spokes in a star.
    cell_mm : float
        From star to star; a star fills nine tenths of it.
    """

    colours: tuple[Colour, Colour]
    count: int = Field(default=36, ge=4, le=360)
    cell_mm: float = Field(gt=0)
    kind: Literal["spokes"] = "spokes"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Grain:
    """A target of small squares of random grey, as printed for depth-from-focus tests.

    Parameters
    ----------
    colours : two colours
        Every square takes a random place between them.
    cell_mm : float
        Side of a square.
    levels : int
        Number of tones.
    """

    colours: tuple[Colour, Colour]
    cell_mm: float = Field(gt=0)
    levels: int = Field(default=4, ge=2, le=256)
    kind: Literal["grain"] = "grain"


def bar_share(across: Floats, pitch: float, duty: float, width: float) -> Floats:
    """Share of a pixel that bars cover, for the coordinate across them (a bar is centred on 0)."""
    xp, phase = namespace(across), across / single(pitch)
    phase -= xp.round(phase)
    inside = (single(duty / 2) - xp.abs(phase)) * single(pitch)
    share = soft_step(inside, width)
    left = resolved(pitch, width)
    return share if left >= 1 else single(duty) + single(left) * (share - single(duty))


def _two_tone(colours: tuple[Colour, Colour], share: Floats) -> Floats:
    xp = namespace(share)
    under, more = (kept(part, xp) for part in _columns(colours))
    return (under + share * more).T  # type: ignore[no-any-return]


@lru_cache(maxsize=64)
def _columns(colours: tuple[Colour, Colour]) -> tuple[Floats, Floats]:
    """Return the second colour, and what the first one adds to it, (3, 1) each."""
    over, under = np.array(colours, np.float32)[..., None]
    return under, over - under


@painter.register
def _bars(texture: Bars, footprint_mm: float, seed: int) -> Painter:
    def paint(x: Floats, y: Floats) -> Floats:
        across, _ = turned(x, y, texture.angle_deg)
        share = bar_share(across, texture.pitch_mm, texture.duty, footprint_mm)
        return _two_tone(texture.colours, share)

    return paint


@painter.register
def _edges(texture: Edges, footprint_mm: float, seed: int) -> Painter:
    def paint(x: Floats, y: Floats) -> Floats:
        u, v = turned(x, y, texture.angle_deg)
        share = bar_share(u, texture.cell_mm, 0.5, footprint_mm)
        share *= bar_share(v, texture.cell_mm, 0.5, footprint_mm)
        return _two_tone(texture.colours, share)

    return paint


@painter.register
def _checker(texture: Checker, footprint_mm: float, seed: int) -> Painter:
    pitch = 2 * texture.cell_mm

    def paint(x: Floats, y: Floats) -> Floats:
        u, v = turned(x, y, texture.angle_deg)
        across = bar_share(u, pitch, 0.5, footprint_mm)
        down = bar_share(v, pitch, 0.5, footprint_mm)
        # Equal signs of the two waves give the first colour.
        return _two_tone(texture.colours, across * down + (1 - across) * (1 - down))

    return paint


@painter.register
def _spokes(texture: Spokes, footprint_mm: float, seed: int) -> Painter:
    cell = single(texture.cell_mm)
    count = single(texture.count)
    width = single(max(footprint_mm, 1e-9))

    def paint(x: Floats, y: Floats) -> Floats:
        xp = namespace(x)
        u, v = x - xp.round(x / cell) * cell, y - xp.round(y / cell) * cell
        radius = xp.sqrt(u * u + v * v)
        pitch = radius * single(2 * np.pi / texture.count)
        phase = xp.atan2(v, u) * single(count / single(2 * np.pi))
        inside = (0.25 - xp.abs(phase - xp.round(phase))) * pitch
        share = soft_step(inside, footprint_mm) - 0.5
        share = 0.5 + smoothstep(pitch / width / 2 - 1, height=share)
        share *= soft_step(single(single(0.45) * cell) - radius, footprint_mm)
        return _two_tone(texture.colours, share)

    return paint


_GRAIN_PX = 512


@painter.register
def _grain(texture: Grain, footprint_mm: float, seed: int) -> Painter:
    tones = np.random.default_rng(31).integers(0, texture.levels, (_GRAIN_PX, _GRAIN_PX))
    period = _GRAIN_PX * texture.cell_mm
    put = tiles.Placing(seed, "grain", turn=0.0).layer(period, 0)
    tile = (tones / (texture.levels - 1)).astype(np.float32)
    # Squares above four pixels have sharp edges; below, the tile is averaged over the pixel.
    sharp = texture.cell_mm / footprint_mm / 2 if footprint_mm > 0 else 1e6
    step = None if sharp > 2 else tiles.cut_step(period, footprint_mm)
    tile = tiles.band_limited(tile, step)

    def paint(x: Floats, y: Floats) -> Floats:
        u, v = put(x, y)
        if sharp > 1:
            u, v = _held(u, sharp), _held(v, sharp)
        return _two_tone(texture.colours, tiles.look_up(tile, u, v))

    return paint


def _held(place: Floats, sharp: float) -> Floats:
    """Hold a coordinate (periods) at the middle of its square, but for the pixel at the edge."""
    texel = place * _GRAIN_PX
    whole = namespace(texel).floor(texel)
    part = soft_step(texel - whole - 0.5, 0.5 / sharp)
    return (whole + part) / _GRAIN_PX  # type: ignore[no-any-return]
