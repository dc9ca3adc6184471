"""Colours in linear light, and smooth ramps between a few of them."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
import numpy.typing as npt
from pydantic import BeforeValidator, Field
from scipy.ndimage import uniform_filter1d

from ....ground.arrays import kept, namespace, take
from ....ground.srgb import decode_srgb
from ....ground.types import Floats

# A ramp holds this many steps between its two ends, and margins of the same length beyond them.
_STEPS = 4096
_HEX_DIGITS = 6


def linear_colour(value: Any) -> Any:
    """Turn "#rrggbb" (sRGB, IEC 61966-2-1) into three linear factors; leave the rest alone."""
    if not isinstance(value, str):
        return value
    digits = value.removeprefix("#")
    if len(digits) != _HEX_DIGITS or not value.startswith("#"):
        raise ValueError("a colour is '#rrggbb' or three linear factors")
    try:
        encoded = np.frombuffer(bytes.fromhex(digits), np.uint8) / 255.0
    except ValueError as error:
        raise ValueError("a colour is '#rrggbb' or three linear factors") from error
    return tuple(float(part) for part in decode_srgb(encoded, dtype=np.float64))


_Factor = Annotated[float, Field(ge=0, le=100)]
# Reflected or emitted share of the light, red, green, blue; above 1 for a glint.
Colour = Annotated[tuple[_Factor, _Factor, _Factor], BeforeValidator(linear_colour)]
Palette = Annotated[tuple[Colour, ...], Field(min_length=1, max_length=12)]


class Ramp:
    """A palette laid out from 0 to 1, looked up by number.

    Parameters
    ----------
    palette : sequence of colours
        Equally spaced from 0 to 1; beyond, the end colours go on.
    spread : float
        Standard deviation of what varies below the size of a pixel, in units of the ramp. The
        ramp is averaged over it, so that a far texture tends to its mean colour.
    """

    def __init__(self, palette: Palette, *, spread: float = 0.0) -> None:
        stops = np.linspace(0, 1, len(palette)) if len(palette) > 1 else np.zeros(1)
        place = np.linspace(-1, 2, 3 * _STEPS + 1)
        table = np.stack([np.interp(place, stops, part) for part in np.transpose(palette)])
        if spread * _STEPS > 1:
            table = _averaged(table, spread * _STEPS)
        self._table = table.astype(np.float32)

    def __call__(self, place: Floats) -> Floats:
        """Return colours, shape (points, 3), for places on the ramp, shape (points,).

        They are channel by channel in memory.
        """
        xp = namespace(place)
        index = xp.astype(xp.astype((place + 1) * _STEPS, xp.int32), xp.int64)
        return take(kept(self._table, xp), index).T  # type: ignore[no-any-return]


def _averaged(table: npt.NDArray[np.float64], deviation: float) -> npt.NDArray[np.float64]:
    """Average a table over a bell of this deviation: three box averages, nearly a Gaussian."""
    width = round(np.sqrt(4 * deviation**2 + 1))
    for _ in range(3):
        table = uniform_filter1d(table, width, axis=1, mode="nearest")
    return table


def mixed(under: Floats, over: Floats, share: Floats) -> Floats:
    """Lay `over` on `under`, both (points, 3), with a share of 0 to 1 per point; reuses `under`."""
    over = kept(over, namespace(under)) - under
    over *= share[:, None]
    under += over
    return under
