"""Engineering targets: bars, slanted edges and their like, averaged over the pixel by formula."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from pydantic.dataclasses import dataclass

from simulator.painters import Painter, painter, resolved, soft_step
from simulator.palette import Colour
from simulator.rig import STRICT

Array = npt.NDArray[np.float32]


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


def bar_share(across: Array, pitch: float, duty: float, width: float) -> Array:
    """Share of a pixel that bars cover, for the coordinate across them (a bar is centred on 0)."""
    phase = across / np.float32(pitch)
    phase -= np.rint(phase)
    inside = (np.float32(duty / 2) - np.abs(phase)) * np.float32(pitch)
    share = soft_step(inside, width)
    left = resolved(pitch, width)
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
