"""Regular forms that a texture and a relief share: six-sided facets, ridges, rows of scales."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from pydantic import Field
from pydantic.dataclasses import dataclass

from ....ground.arrays import clip, namespace, single
from ....ground.types import Floats
from ...rig import STRICT
from .patterns import scattered, warp

# Cells of the warp, in pitches: neighbours shift together.
_WARP_CELL = 2.5
# The steepest change of a warp, in shifts per cell of it: 11.4 where it was measured.
_WARP_SLOPE = 12.0
# Near its rim a ball is seen too steeply: arcs are measured up to this share of its radius.
_ARC_LIMIT = 0.97
#: How much steeper a pattern can be by the bend and by the ball that it lies on.
ARC_STRETCH = float(1 / np.sqrt(1 - _ARC_LIMIT**2))


def bend_stretch(bend: float) -> float:
    """Return by how much a bend can shorten a pattern, as a factor on its slopes."""
    return 1 + bend * _WARP_SLOPE / _WARP_CELL


def bent(
    seed: int, *, pitch_mm: float, bend: float
) -> Callable[[Floats, Floats], tuple[Floats, Floats]]:
    """Return the function from points to points of an unbent pattern."""
    if bend <= 0:
        return lambda x, y: (x, y)
    shift = warp(seed, cell_mm=_WARP_CELL * pitch_mm, shift_mm=bend * pitch_mm)

    def moved(x: Floats, y: Floats) -> tuple[Floats, Floats]:
        du, dv = shift(x, y)
        return x + du, y + dv

    return moved


def along_ball(x: Floats, y: Floats, radius_mm: tuple[float, float]) -> tuple[Floats, Floats]:
    """Return places measured along a ball (or egg) instead of across its picture.

    Parameters
    ----------
    x, y : array
        From the point nearest to the camera, mm.
    radius_mm : (along x, along y)
    """
    xp, (a, b) = namespace(x), (single(radius) for radius in radius_mm)
    out = xp.sqrt((x / a) ** 2 + (y / b) ** 2)
    kept = clip(out, single(1e-4), single(_ARC_LIMIT))
    factor = xp.asin(kept) / xp.maximum(out, single(1e-4))
    return x * factor, y * factor


def six_sided(x: Floats, y: Floats, pitch_mm: float) -> Floats:
    """Return the distance to the nearest point of a lattice of equilateral triangles, in pitches.

    It is 0 in the middle of a facet, 1/2 in the middle of a side and 1/sqrt(3) in a corner.
    """
    xp, half = namespace(x), 0.5
    u, v = x / single(pitch_mm), y / single(pitch_mm * np.sqrt(3))
    first = (u - xp.round(u)) ** 2 + 3 * (v - xp.round(v)) ** 2
    other = (u - half - xp.round(u - half)) ** 2 + 3 * (v - half - xp.round(v - half)) ** 2
    return xp.sqrt(xp.minimum(first, other))  # type: ignore[no-any-return]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class ScaleRows:
    """Rows of overlapping rounded scales: a butterfly's wing, a bud, a fish, a fern's frond.

    Their tips point down the picture; turn the sheet for another direction.

    Parameters
    ----------
    width_mm, row_mm : float
        From scale to scale in a row, and from row to row.
    tip : float
        How much longer a scale is in its middle than at its sides, in rows.
    bend : float
        How irregular the rows are, in widths.
    """

    width_mm: float = Field(gt=0)
    row_mm: float = Field(gt=0)
    tip: float = Field(default=0.6, ge=0, le=1)
    bend: float = Field(default=0.12, ge=0, le=0.3)


class ScaleField(NamedTuple):
    """Where points lie on the scales of the rows that may be seen there, topmost first.

    `inside` is the way to the tip of each of two rows, in rows, < 0 beyond it; `across` the place
    across the scale, -0.5 to 0.5; `tone` a fixed random number for each scale.
    """

    inside: tuple[Floats, Floats]
    across: tuple[Floats, Floats]
    tone: tuple[Floats, Floats]


def scale_field(rows: ScaleRows, seed: int) -> Callable[[Floats, Floats], ScaleField]:
    """Return the function from points to places on scales."""
    moved = bent(seed, pitch_mm=rows.width_mm, bend=rows.bend)
    width, height = single(rows.width_mm), single(rows.row_mm)
    tip = single(rows.tip)

    def field(x: Floats, y: Floats) -> ScaleField:
        u, v = moved(x, y)
        u, v = u / width, v / height
        upper = namespace(v).floor(v)
        found = [_on_row(u, v, row, tip) for row in (upper, upper + 1)]
        return ScaleField(*zip(*found, strict=True))  # type: ignore[arg-type]

    return field


def _on_row(u: Floats, v: Floats, row: Floats, tip: float) -> tuple[Floats, Floats, Floats]:
    xp = namespace(u)
    shifted = u - 0.5 * xp.astype(xp.astype(row, xp.int64) & 1, xp.float32)
    column = xp.round(shifted)
    across = shifted - column
    inside = row + 1 - tip * 4 * across * across - v
    return inside, across, scattered(column * 37 + row * 91)
