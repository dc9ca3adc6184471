"""Where one texture lies over another: frozen descriptions of covered parts of a surface."""

from __future__ import annotations

from collections.abc import Callable
from functools import singledispatch
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field
from pydantic.dataclasses import dataclass

from ....ground.arrays import namespace, single
from ....ground.types import Floats
from ...rig import STRICT
from ..pattern import patterns, tiles
from ..relief.boards import Layout, inside_of
from ..relief.castings import height_of
from ..relief.gauges import gauge
from ..relief.reliefs import Relief
from .painters import line_share, resolved, soft_step, turned

# What a layer adds to its surface's seed for its mask.
MASK_SEED = 2
# Takes flat arrays x, y (mm), returns the covered share of a pixel there, 0 to 1.
Cover = Callable[[Floats, Floats], Floats]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Lines:
    """Ruled straight lines.

    Parameters
    ----------
    pitch_mm, width_mm : float
        From line to line, and the width of each. A line runs through (0, 0).
    angle_deg : float
        0 for upright lines, turning clockwise in the picture.
    """

    pitch_mm: float = Field(gt=0)
    width_mm: float = Field(gt=0)
    angle_deg: float = 0.0
    kind: Literal["lines"] = "lines"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Rings:
    """Concentric rings around (0, 0).

    Parameters
    ----------
    pitch_mm, width_mm : float
        From ring to ring, and the width of each.
    """

    pitch_mm: float = Field(gt=0)
    width_mm: float = Field(gt=0)
    kind: Literal["rings"] = "rings"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Blotches:
    """Irregular patches with ragged edges.

    Parameters
    ----------
    cell_mm : float
        Size of the largest patches.
    cover : float
        Share of the surface that they cover, 0 to 1.
    edge : float
        Softness of their edge: 0 sharp, 1 washed out.
    falloff : float
        Raggedness of the edge: 1 very ragged, 2 smooth.
    """

    cell_mm: float = Field(gt=0)
    cover: float = Field(default=0.3, gt=0, lt=1)
    edge: float = Field(default=0.1, ge=0, le=1)
    falloff: float = Field(default=1.4, ge=1, le=3)
    kind: Literal["blotches"] = "blotches"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Grains:
    """Some cells of an irregular mosaic: specks, pores, crystals.

    Parameters
    ----------
    cell_mm : float
        Mean size of the mosaic's cells.
    cover : float
        Share of the cells that are covered.
    rim : float
        Covered cells shrink by this much all round, in cell sizes.
    bend : float
        How wavy their outlines are, in cell sizes.
    """

    cell_mm: float = Field(gt=0)
    cover: float = Field(default=0.3, gt=0, le=1)
    rim: float = Field(default=0.1, ge=0, le=0.4)
    bend: float = Field(default=0.06, ge=0, le=0.3)
    kind: Literal["grains"] = "grains"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Disc:
    """One round or oval spot, sharp or washed out: a stain, a soft shadow.

    Parameters
    ----------
    at_mm : (x, y)
        Its middle.
    radius_mm : (along x, along y)
        To the middle of its fading edge.
    soft : float
        Share of the radius over which it fades.
    """

    at_mm: tuple[float, float] = (0.0, 0.0)
    radius_mm: tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]]
    soft: float = Field(default=0.5, ge=0, le=1)
    kind: Literal["disc"] = "disc"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Height:
    """Where a relief is higher than a level: worn edges, or with `below` its hollows.

    Parameters
    ----------
    relief : Relief
        The same as the surface's own.
    level_mm, soft_mm : float
        Height of the border, and half the band of heights over which it fades.
    below : bool
        Cover what is lower instead.
    """

    relief: Relief
    level_mm: float
    soft_mm: float = Field(default=0.02, gt=0)
    below: bool = False
    kind: Literal["height"] = "height"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class BoardPart:
    """A part of a printed circuit board.

    Parameters
    ----------
    layout : Layout
        The same as in the board's relief.
    part : {"copper", "bare", "hole"}
        All copper, the bare pads and lands, or the holes.
    """

    layout: Layout
    part: Literal["copper", "bare", "hole"]
    kind: Literal["board"] = "board"


Mask = Annotated[
    Lines | Rings | Blotches | Grains | Disc | Height | BoardPart, Field(discriminator="kind")
]


@singledispatch
def cover(mask: Any, footprint_mm: float, seed: int) -> Cover:
    """Prepare a mask for a pixel size and a seed."""
    raise TypeError(f"not a mask: {mask!r}")


@cover.register
def _(mask: Lines, footprint_mm: float, seed: int) -> Cover:
    lines = _repeated(mask, footprint_mm)
    return lambda x, y: lines(turned(x, y, mask.angle_deg)[0])


@cover.register
def _(mask: Rings, footprint_mm: float, seed: int) -> Cover:
    lines = _repeated(mask, footprint_mm)
    return lambda x, y: lines(namespace(x).sqrt(x * x + y * y))


def _repeated(mask: Lines | Rings, footprint_mm: float) -> Callable[[Floats], Floats]:
    pitch = single(mask.pitch_mm)

    def share(across: Floats) -> Floats:
        xp, phase = namespace(across), across / pitch
        distance = xp.abs(phase - xp.round(phase)) * pitch
        return line_share(distance, mask.width_mm / 2, footprint_mm, pitch=mask.pitch_mm)

    return share


@cover.register
def _(mask: Blotches, footprint_mm: float, seed: int) -> Cover:
    period = mask.cell_mm * tiles.CELLS
    level = single(np.quantile(tiles.noise(0, mask.falloff), 1 - mask.cover))
    small, lost = tiles.noise_for(0, mask.falloff, tiles.cut_step(period, footprint_mm))
    put = tiles.Placing(seed, "blotches").layer(period, 0)
    # The step is averaged over what a pixel no longer resolves (a triangle's half-foot is the
    # root of six of its deviation), and over the change of the noise within the pixel.
    change = float(np.diff(small, axis=0).std()) * (small.shape[0] - 1) * footprint_mm / period
    width = float(np.sqrt(mask.edge**2 + 6 * lost + min(change, 1.0) ** 2)) + 1e-3

    def share(x: Floats, y: Floats) -> Floats:
        return soft_step(tiles.look_up(small, *put(x, y)) - level, width)

    return share


@cover.register
def _(mask: Grains, footprint_mm: float, seed: int) -> Cover:
    mosaic = patterns.mosaic(seed, cell_mm=mask.cell_mm, bend=mask.bend)
    edge = max(footprint_mm / mask.cell_mm, 0.02)
    left = single(resolved(mask.cell_mm, footprint_mm))
    mean = single(mask.cover * max(1 - 2 * mask.rim, 0.1) ** 2)

    def share(x: Floats, y: Floats) -> Floats:
        xp = namespace(x)
        if left <= 0:
            return xp.full_like(x, mean)  # type: ignore[no-any-return]
        border, tone = mosaic(x, y)
        inside = soft_step(border - single(mask.rim), edge)
        inside *= xp.astype(tone < mask.cover, xp.float32)
        return mean + left * (inside - mean)

    return share


@cover.register
def _(mask: Disc, footprint_mm: float, seed: int) -> Cover:
    (cx, cy), (a, b) = (map(single, pair) for pair in (mask.at_mm, mask.radius_mm))
    width = max(mask.soft, footprint_mm / min(mask.radius_mm))

    def share(x: Floats, y: Floats) -> Floats:
        away = namespace(x).sqrt(((x - cx) / a) ** 2 + ((y - cy) / b) ** 2)
        return soft_step(1 - away, width)

    return share


@cover.register
def _(mask: Height, footprint_mm: float, seed: int) -> Cover:
    # The seed of the surface itself: a layer's mask gets it with 2 added.
    height = gauge(mask.relief, seed - MASK_SEED)
    level, sign = single(mask.level_mm), single(-1 if mask.below else 1)
    width = max(mask.soft_mm, 0.5 * footprint_mm)
    return lambda x, y: soft_step(sign * (height(x, y) - level), width)


@cover.register
def _(mask: BoardPart, footprint_mm: float, seed: int) -> Cover:
    inside = height_of(getattr(inside_of(mask.layout), mask.part))
    return lambda x, y: soft_step(inside(x, y), footprint_mm)
