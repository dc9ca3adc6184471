"""What every texture answers: a painter for one pixel size; and the tools painters share."""

from __future__ import annotations

from collections.abc import Callable
from functools import singledispatch
from typing import Any

import numpy as np

from ....ground.arrays import clip, namespace, single
from ....ground.smoothstep import smoothstep
from ....ground.types import Floats
from ..pattern import tiles

# A painter takes flat arrays x, y (mm) and returns linear colours, shape (points, 3).
Painter = Callable[[Floats, Floats], Floats]

_LAYERS = 3


@singledispatch
def painter(texture: Any, footprint_mm: float, seed: int) -> Painter:
    """Prepare a texture for a pixel size and a seed: tiles are made and ramps laid out here."""
    raise TypeError(f"not a texture: {texture!r}")


class FineLayers:
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
            if tiles.LOWEST / period * footprint_mm > 0.5:
                self.lost += float(tiles.noise(index, falloff).var())
                continue
            step = tiles.cut_step(period, footprint_mm)
            small, lost = tiles.noise_for(index, falloff, step)
            self.lost += lost
            self._parts.append((small, place.layer(period, index)))

    def __bool__(self) -> bool:
        return bool(self._parts)

    def __call__(self, x: Floats, y: Floats) -> Floats:
        """Return the sum of the layers at points (mm)."""
        tile, put = self._parts[0]
        value = tiles.look_up(tile, *put(x, y))
        for tile, put in self._parts[1:]:
            value += tiles.look_up(tile, *put(x, y))
        return value


def soft_step(distance: Floats, width: float) -> Floats:
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
    t = clip(distance / single(max(width, 1e-9)), -1, 1)
    return 0.5 + t * (1 - 0.5 * namespace(t).abs(t))  # type: ignore[no-any-return]


def line_share(distance: Floats, half: Floats | float, width: float, *, pitch: float) -> Floats:
    """Share of a pixel that a line covers.

    Parameters
    ----------
    distance : ndarray of float32
        Distance to the line's middle, >= 0.
    half : float or ndarray of float32
        Half the line's width.
    width : float
        A pixel, or the softness of the line's edge where that is more.
    pitch : float
        Typical distance between such lines; where pixels no longer resolve it, the lines blend
        into their mean share. All in one unit.
    """
    xp, left, per = namespace(distance), resolved(pitch, width), single(2 / pitch)
    mean: Any
    if isinstance(half, float):
        mean, least = min(single(per * single(half)), 1.0), half
    else:
        mean, least = xp.minimum(per * half, 1), xp.min(half)
    if left <= 0:
        return xp.zeros(distance.shape, dtype=xp.float32) + mean  # type: ignore[no-any-return]
    share = soft_step(half - distance, width)
    if least < width:  # else no pixel sees both edges
        share -= soft_step(-half - distance, width)
    return share if left >= 1 else mean + single(left) * (share - mean)  # type: ignore[no-any-return]


def resolved(pitch: float, width: float) -> float:
    """Contrast left of a pattern: 1 while its pitch is above four pixels, 0 below two."""
    return float(smoothstep(pitch / max(width, 1e-9) / 2 - 1))


def turned(x: Floats, y: Floats, angle_deg: float) -> tuple[Floats, Floats]:
    """Return coordinates along axes that are turned clockwise in the picture."""
    cos, sin = single(np.cos(np.radians(angle_deg))), single(np.sin(np.radians(angle_deg)))
    return cos * x + sin * y, cos * y - sin * x
