"""The texture of rows of scales: tones, ridges along each, and a shadow beyond its edge."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field
from pydantic.dataclasses import dataclass

from ....ground.types import Floats
from ...rig import STRICT
from ..pattern import lattices
from ..pattern.lattices import ScaleRows
from .painters import Painter, painter, resolved, soft_step
from .palette import Palette, Ramp
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


@painter.register
def _scales(texture: ScaleSkin, footprint_mm: float, seed: int) -> Painter:
    rows = texture.rows
    field = lattices.scale_field(rows, seed)
    size = min(rows.width_mm, rows.row_mm)
    left = np.float32(resolved(size, footprint_mm))
    fine = np.float32(
        _RIDGE_SHADE * resolved(rows.width_mm / max(texture.ridges, 1), footprint_mm)
        if texture.ridges
        else 0
    )
    tone = np.float32(texture.tone)
    ramp = Ramp(texture.palette, spread=float((1 - left) * texture.tone / np.sqrt(12)))
    edge = max(footprint_mm / rows.row_mm, 0.02)
    over = painter(texture.pattern, footprint_mm, seed) if texture.pattern else None
    waves = np.float32(2 * np.pi * texture.ridges)

    def shade_of(inside: Floats, across: Floats, scale: Floats) -> Floats:
        """Return the colour of a row of scales as if it lay open."""
        colour = ramp(np.float32(0.5) + left * tone * (scale - np.float32(0.5)))
        light = 1 - np.float32(_ROOT_SHADE) * left * np.clip(inside, 0, 1)
        light -= fine * (np.float32(0.5) + np.float32(0.5) * np.cos(waves * across))
        return colour * light[:, None]

    def paint(x: Floats, y: Floats) -> Floats:
        at = field(x, y)
        upper, lower = (
            shade_of(*parts) for parts in zip(at.inside, at.across, at.tone, strict=True)
        )
        beyond = np.clip(1 + at.inside[0] / np.float32(_SHADOW_REACH), 0, 1)
        lower *= (1 - np.float32(texture.shadow) * left * beyond * beyond)[:, None]
        share = soft_step(at.inside[0], edge)[:, None]
        colour = lower + share * (upper - lower)
        return colour if over is None else colour * over(x, y)

    return paint
