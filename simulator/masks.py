"""Where one texture lies over another: frozen descriptions of covered parts of a surface."""

from __future__ import annotations

from collections.abc import Callable
from functools import singledispatch
from typing import Annotated, Any, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from pydantic.dataclasses import dataclass

from simulator import patterns, tiles
from simulator.painters import line_share, resolved, soft_step, turned
from simulator.rig import STRICT

Array = npt.NDArray[np.float32]
# Takes flat arrays x, y (mm), returns the covered share of a pixel there, 0 to 1.
Cover = Callable[[Array, Array], Array]


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


Mask = Annotated[Lines | Blotches | Grains, Field(discriminator="kind")]


@singledispatch
def cover(mask: Any, footprint_mm: float, seed: int) -> Cover:
    """Prepare a mask for a pixel size and a seed."""
    raise TypeError(f"not a mask: {mask!r}")


@cover.register
def _(mask: Lines, footprint_mm: float, seed: int) -> Cover:
    def share(x: Array, y: Array) -> Array:
        across, _ = turned(x, y, mask.angle_deg)
        phase = across / np.float32(mask.pitch_mm)
        distance = np.abs(phase - np.rint(phase)) * np.float32(mask.pitch_mm)
        return line_share(distance, mask.width_mm / 2, footprint_mm, pitch=mask.pitch_mm)

    return share


@cover.register
def _(mask: Blotches, footprint_mm: float, seed: int) -> Cover:
    period = mask.cell_mm * tiles.CELLS
    base = tiles.noise(0, mask.falloff)
    level = np.float32(np.quantile(base, 1 - mask.cover))
    small = tiles.band_limited(base, tiles.cut_step(period, footprint_mm))
    put = tiles.Placing(seed, "blotches").layer(period, 0)
    # The step is averaged over what a pixel no longer resolves (a triangle's half-foot is the
    # root of six of its deviation), and over the change of the noise within the pixel.
    lost = max(float(base.var() - small.var()), 0.0)
    change = float(np.diff(small, axis=0).std()) * (small.shape[0] - 1) * footprint_mm / period
    width = float(np.sqrt(mask.edge**2 + 6 * lost + min(change, 1.0) ** 2)) + 1e-3

    def share(x: Array, y: Array) -> Array:
        return soft_step(tiles.look_up(small, *put(x, y)) - level, width)

    return share


@cover.register
def _(mask: Grains, footprint_mm: float, seed: int) -> Cover:
    mosaic = patterns.mosaic(seed, cell_mm=mask.cell_mm, bend=mask.bend)
    edge = max(footprint_mm / mask.cell_mm, 0.02)
    left = np.float32(resolved(mask.cell_mm, footprint_mm))
    mean = np.float32(mask.cover * max(1 - 2 * mask.rim, 0.1) ** 2)

    def share(x: Array, y: Array) -> Array:
        if left <= 0:
            return np.full_like(x, mean)
        border, tone = mosaic(x, y)
        inside = soft_step(border - np.float32(mask.rim), edge)
        inside *= tone < mask.cover
        return mean + left * (inside - mean)

    return share
