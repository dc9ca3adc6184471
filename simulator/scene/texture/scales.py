"""The texture of rows of scales: tones, ridges along each, and a shadow beyond its edge."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from pydantic import Field
from pydantic.dataclasses import dataclass

from ....ground.arrays import clip, namespace, single
from ....ground.types import Floats
from ...rig import STRICT
from ..pattern import lattices
from ..pattern.lattices import ScaleField, ScaleRows
from .painters import Painter, painter, resolved, soft_step
from .palette import Palette, Ramp, mixed
from .plain import Octaves


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class ScaleSkin:
    """Overlapping scales of many tones, finely ridged along.

    Parameters
    ----------
    rows : ScaleRows
        The same as in the scales' relief.
    palette : sequence of colours
        From the darkest to the lightest scales.
    tone : float
        How much scales differ, 0 to 1 (the whole palette).
    ridges : int
        Fine ridges across one scale.
    shadow : float
        How dark the shadow beyond a scale's edge is, 0 to 1.
    pattern : Octaves or None
        What the wing shows as a whole: its colours are multiplied with those of the scales.
    """

    rows: ScaleRows
    palette: Palette
    tone: float = Field(default=0.5, ge=0, le=1)
    ridges: int = Field(default=14, ge=0, le=60)
    shadow: float = Field(default=0.6, ge=0, le=1)
    pattern: Octaves | None = None
    kind: Literal["scales"] = "scales"


# A scale is darker at its root by this much, and its ridges by that.
_ROOT_SHADE, _RIDGE_SHADE = 0.22, 0.2
# Reach of the shadow, in rows.
_SHADOW_REACH = 0.3
# Points a side by which a mean over 24 by 24 scales is taken.
_MEAN_SAMPLES = 192


@painter.register
def _scales(texture: ScaleSkin, footprint_mm: float, seed: int) -> Painter:
    rows = texture.rows
    field = lattices.scale_field(rows, seed)
    left = np.float32(resolved(min(rows.width_mm, rows.row_mm), footprint_mm))
    ridges = texture.ridges or 1
    fine = single(0.5 * resolved(rows.width_mm / ridges, footprint_mm))
    ridge_shade = single(_RIDGE_SHADE * bool(texture.ridges))
    shadow, toned = single(texture.shadow), float(left * np.float32(texture.tone))
    ramp = Ramp(texture.palette, spread=float((1 - left) * texture.tone / np.sqrt(12)))
    edge = max(footprint_mm / rows.row_mm, 0.02)
    over = painter(texture.pattern, footprint_mm, seed) if texture.pattern else None
    waves = single(2 * np.pi * ridges)
    root_mean, dark_mean = _means(rows, field)
    shown = float(left)

    def colour_of(scale: Floats) -> Floats:
        return ramp(0.5 + toned * (scale - 0.5))

    def paint(x: Floats, y: Floats) -> Floats:
        at = field(x, y)
        share = soft_step(at.inside[0], edge)
        root, dark = _shades(at, share)
        across = share * at.across[0] + (1 - share) * at.across[1]
        light = 1 - single(_ROOT_SHADE) * (root_mean + shown * (root - root_mean))
        light *= 1 - ridge_shade * (0.5 + fine * namespace(x).cos(waves * across))
        light *= 1 - shadow * (dark_mean + shown * (dark - dark_mean))
        colour = mixed(colour_of(at.tone[1]), colour_of(at.tone[0]), share)
        colour *= light[:, None]
        return colour if over is None else colour * over(x, y)

    return paint


def _shades(at: ScaleField, share: Floats) -> tuple[Floats, Floats]:
    """Return how near points are to the root of their scale, and how deep in a shadow."""
    upper, lower = (clip(inside, 0, 1) for inside in at.inside)
    beyond = clip(1 + at.inside[0] / single(_SHADOW_REACH), 0, 1)
    return share * upper + (1 - share) * lower, (1 - share) * beyond * beyond


def _means(rows: ScaleRows, field: Callable[[Floats, Floats], ScaleField]) -> tuple[float, float]:
    """Return the means of both over many scales: what pixels show that no longer resolve them."""
    line = (np.arange(_MEAN_SAMPLES) + 0.5) / _MEAN_SAMPLES * 24
    x, y = (
        axis.astype(np.float32) for axis in np.meshgrid(line * rows.width_mm, line * rows.row_mm)
    )
    at = field(x.ravel(), y.ravel())
    root, dark = _shades(at, (at.inside[0] > 0).astype(np.float32))
    return single(root.mean()), single(dark.mean())
