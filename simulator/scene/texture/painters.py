"""What every texture answers: a painter for one pixel size; and the tools painters share."""

from __future__ import annotations

from collections.abc import Callable
from functools import singledispatch
from typing import Any

import numpy as np

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
    t = np.clip(distance / np.float32(max(width, 1e-9)), -1, 1)
    return np.float32(0.5) + t * (np.float32(1) - np.float32(0.5) * np.abs(t))


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
    left = resolved(pitch, width)
    mean = np.minimum(np.float32(2 / pitch) * np.asarray(half, np.float32), 1)
    if left <= 0:
        return np.broadcast_to(mean, distance.shape).astype(np.float32)
    share = soft_step(half - distance, width)
    if np.min(half) < width:  # else no pixel sees both edges
        share -= soft_step(-half - distance, width)
    return share if left >= 1 else mean + np.float32(left) * (share - mean)


def resolved(pitch: float, width: float) -> float:
    """Contrast left of a pattern: 1 while its pitch is above four pixels, 0 below two."""
    return float(smoothstep(pitch / max(width, 1e-9) / 2 - 1))


def turned(x: Floats, y: Floats, angle_deg: float) -> tuple[Floats, Floats]:
    """Return coordinates along axes that are turned clockwise in the picture."""
    cos, sin = np.float32(np.cos(np.radians(angle_deg))), np.float32(np.sin(np.radians(angle_deg)))
    return cos * x + sin * y, cos * y - sin * x
