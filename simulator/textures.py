"""What colours a surface: frozen descriptions, and one function that paints any of them.

A texture is sampled at points of its own plane, in millimetres, for a pixel of a stated size on
the subject: nothing finer than about two pixels is in the answer, and much beyond that size every
texture tends to its mean colour.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, singledispatch
from typing import Annotated, Any, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from pydantic.dataclasses import dataclass

from simulator import tiles
from simulator.palette import Colour, Palette, Ramp
from simulator.rig import STRICT

Array = npt.NDArray[np.float32]
# A painter takes flat arrays x, y (mm) and returns linear colours, shape (points, 3).
Painter = Callable[[Array, Array], Array]

# A contrast of 1 spreads +-2.5 deviations of the coarsest noise layer over the palette.
_DEVIATION = 0.2
_LAYERS = 3
# Deviation of the noise that goes on where a photograph ends, over the photograph's own.
_GRAIN = 0.25
# Pixel sizes are rounded to sixteenths of an octave, so that the frames of a stack, which differ
# by little, share their tiles.
_SIZES_PER_OCTAVE = 16


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


Texture = Annotated[Flat | Octaves | Photo | Bars | Edges, Field(discriminator="kind")]


def sample(
    texture: Any, x_mm: npt.ArrayLike, y_mm: npt.ArrayLike, *, footprint_mm: float, seed: int
) -> Array:
    """Paint points of a surface.

    Parameters
    ----------
    texture : Texture
    x_mm, y_mm : array_like
        Points in the plane of the texture, mm, any equal shape; float32 is enough.
    footprint_mm : float
        Side of a pixel on the subject, >= 0. Keep it the same for all frames of a stack.
    seed : int
        The same seed and texture give the same colours; another seed, another patch.

    Returns
    -------
    ndarray of float32
        Linear colours, 1 for a perfect white reflector, shape of the points plus (3,).

    Raises
    ------
    ValueError
        Where the footprint is negative.
    """
    if not footprint_mm >= 0:
        raise ValueError(f"footprint_mm must be >= 0, got {footprint_mm}")
    if footprint_mm > 0:
        octave = round(np.log2(footprint_mm) * _SIZES_PER_OCTAVE)
        footprint_mm = float(2.0 ** (octave / _SIZES_PER_OCTAVE))
    return tiles.in_chunks(_prepared(texture, footprint_mm, seed), x_mm, y_mm)


@lru_cache(maxsize=32)
def _prepared(texture: Any, footprint_mm: float, seed: int) -> Painter:
    return painter(texture, footprint_mm, seed)


@singledispatch
def painter(texture: Any, footprint_mm: float, seed: int) -> Painter:
    """Prepare a texture for a pixel size and a seed: tiles are made and ramps laid out here."""
    raise TypeError(f"not a texture: {texture!r}")


@painter.register
def _flat(texture: Flat, footprint_mm: float, seed: int) -> Painter:
    colour = np.array(texture.colour, np.float32)
    return lambda x, y: np.tile(colour, (x.size, 1))


@painter.register
def _octaves(texture: Octaves, footprint_mm: float, seed: int) -> Painter:
    period = tiles.CELLS * texture.cell_mm
    base = tiles.calm_noise(texture.falloff, texture.flatness)
    turn = np.radians(texture.angle_deg) if texture.stretch > 1 else None
    place = tiles.Placing(seed, "octaves", stretch=texture.stretch, turn=turn)
    fine = _FineLayers(period, 1, texture.falloff, footprint_mm, place)
    coarse = tiles.band_limited(base, tiles.cut_step(period, footprint_mm))
    busy = float(np.mean(base.imag**2))
    lost = base.real.var() - coarse.real.var() + busy * fine.lost
    scale = np.float32(_DEVIATION * texture.contrast)
    ramp = Ramp(texture.palette, spread=float(scale * np.sqrt(max(lost, 0))))
    put = place.layer(period, 0)

    def paint(x: Array, y: Array) -> Array:
        both = tiles.look_up(coarse, *put(x, y))
        value = both.real + both.imag * fine(x, y) if fine else both.real
        return ramp(value * scale + np.float32(0.5))

    return paint


@painter.register
def _photo(texture: Photo, footprint_mm: float, seed: int) -> Painter:
    base = tiles.photograph(texture.picture)
    place = tiles.Placing(seed, "photo", turn=np.radians(texture.angle_deg))
    # The photograph holds 256 cycles per tile, as the coarsest noise layer does.
    fine = _FineLayers(texture.tile_mm, 1, 1.0, footprint_mm, place)
    coarse = tiles.band_limited(base, tiles.cut_step(texture.tile_mm, footprint_mm))
    scale = np.float32(_DEVIATION * texture.contrast)
    lost = base.var() - coarse.var() + _GRAIN**2 * fine.lost
    ramp = Ramp(texture.palette, spread=float(scale * np.sqrt(max(lost, 0))))
    put = place.layer(texture.tile_mm, 0)

    def paint(x: Array, y: Array) -> Array:
        value = tiles.look_up(coarse, *put(x, y))
        if fine:
            value += np.float32(_GRAIN) * fine(x, y)
        return ramp(value * scale + np.float32(0.5))

    return paint


class _FineLayers:
    """The noise layers below the coarsest one, as far as the pixel resolves them."""

    def __init__(
        self,
        period_mm: float,
        first: int,
        falloff: float,
        footprint_mm: float,
        place: tiles.Placing,
    ) -> None:
        self._parts = []
        self.lost = 0.0
        for index in range(first, _LAYERS):
            period = period_mm / tiles.SHRINK**index
            tile = tiles.noise(index, falloff)
            self.lost += float(tile.var())
            if tiles.LOWEST / period * footprint_mm > 0.5:
                continue
            small = tiles.band_limited(tile, tiles.cut_step(period, footprint_mm))
            self.lost -= float(small.var())
            self._parts.append((small, place.layer(period, index)))

    def __bool__(self) -> bool:
        return bool(self._parts)

    def __call__(self, x: Array, y: Array) -> Array:
        tile, put = self._parts[0]
        value = tiles.look_up(tile, *put(x, y))
        for tile, put in self._parts[1:]:
            value += tiles.look_up(tile, *put(x, y))
        return value


def soft_step(distance: Array, width: float) -> Array:
    """Share of a pixel beyond an edge: a step averaged over a triangle two pixels wide at its foot.

    Parameters
    ----------
    distance : ndarray of float32
        Signed distance to the edge, in the units of `width`; positive inside.
    width : float
        Half the foot of the triangle: one pixel.

    Returns
    -------
    ndarray of float32
        0 outside to 1 inside.
    """
    t = np.clip(distance / np.float32(max(width, 1e-9)), -1, 1)
    return np.float32(0.5) + t * (np.float32(1) - np.float32(0.5) * np.abs(t))


def _resolved(pitch_mm: float, footprint_mm: float) -> float:
    """Contrast left of a pattern: 1 while a pitch is above four pixels, 0 below two."""
    t = np.clip(pitch_mm / max(footprint_mm, 1e-9) / 2 - 1, 0, 1)
    return float(t * t * (3 - 2 * t))


def bar_share(across: Array, pitch: float, duty: float, width: float) -> Array:
    """Share of a pixel that bars cover, for the coordinate across them (a bar is centred on 0)."""
    phase = across / np.float32(pitch)
    phase -= np.rint(phase)
    inside = (np.float32(duty / 2) - np.abs(phase)) * np.float32(pitch)
    share = soft_step(inside, width)
    left = _resolved(pitch, width)
    return share if left >= 1 else np.float32(duty) + np.float32(left) * (share - np.float32(duty))


def _turned(x: Array, y: Array, angle_deg: float) -> tuple[Array, Array]:
    cos, sin = np.float32(np.cos(np.radians(angle_deg))), np.float32(np.sin(np.radians(angle_deg)))
    return cos * x + sin * y, cos * y - sin * x


def _two_tone(colours: tuple[Colour, Colour], share: Array) -> Array:
    over, under = np.array(colours, np.float32)
    return under + share[:, None] * (over - under)


@painter.register
def _bars(texture: Bars, footprint_mm: float, seed: int) -> Painter:
    def paint(x: Array, y: Array) -> Array:
        across, _ = _turned(x, y, texture.angle_deg)
        share = bar_share(across, texture.pitch_mm, texture.duty, footprint_mm)
        return _two_tone(texture.colours, share)

    return paint


@painter.register
def _edges(texture: Edges, footprint_mm: float, seed: int) -> Painter:
    def paint(x: Array, y: Array) -> Array:
        u, v = _turned(x, y, texture.angle_deg)
        share = bar_share(u, texture.cell_mm, 0.5, footprint_mm)
        share *= bar_share(v, texture.cell_mm, 0.5, footprint_mm)
        return _two_tone(texture.colours, share)

    return paint
