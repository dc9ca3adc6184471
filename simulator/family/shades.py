"""Colours changed together: brighter, paler, turned in hue.

Hue and chroma are those of CIE 1976 L*a*b* (ISO/CIE 11664-4:2019) under the white of sRGB
(IEC 61966-2-1); light is a factor on the linear values, as on an exposure. Sums are of plain
floats, so that a colour is the same with every version of the libraries.
"""

from __future__ import annotations

import math
import re

from ..data import shown_value

#: Rows of sRGB to XYZ under D65, IEC 61966-2-1.
_XYZ = (
    (0.4124564, 0.3575761, 0.1804375),
    (0.2126729, 0.7151522, 0.0721750),
    (0.0193339, 0.1191920, 0.9503041),
)
_RGB = (
    (3.2404542, -1.5371385, -0.4985314),
    (-0.9692660, 1.8760108, 0.0415560),
    (0.0556434, -0.2040259, 1.0572252),
)
_WHITE = tuple(sum(row) for row in _XYZ)
_EPSILON, _KAPPA = 216 / 24389, 24389 / 27


def shaded(colour: str, *, light: float, chroma: float, hue_deg: float) -> str:
    """Return a colour "#rrggbb" changed; what leaves the range of sRGB is clipped.

    Parameters
    ----------
    colour : str
        "#rrggbb".
    light : float
        Factor on the linear light, >= 0.
    chroma : float
        Factor on the distance from grey, >= 0.
    hue_deg : float
        Turn of the hue, from red toward yellow.

    Raises
    ------
    ValueError
        The colour is not "#rrggbb", a factor is negative or has no end, or the turn has none.
    """
    if not re.fullmatch("#[0-9a-fA-F]{6}", colour):
        raise ValueError(f"got {shown_value(colour)}, allowed '#rrggbb'")
    if not (0 <= light < math.inf and 0 <= chroma < math.inf and math.isfinite(hue_deg)):
        raise ValueError(
            f"got light {light:g}, chroma {chroma:g} and hue_deg {hue_deg:g}, allowed finite "
            "numbers, light and chroma from 0"
        )
    rgb = [_linear(int(colour[k : k + 2], 16) / 255) for k in (1, 3, 5)]
    lightness, a, b = _lab(rgb)
    size, turn = chroma * math.hypot(a, b), math.atan2(b, a) + math.radians(hue_deg)
    turned = _linear_rgb(lightness, size * math.cos(turn), size * math.sin(turn))
    levels = [round(255 * _encoded(min(max(light * part, 0.0), 1.0))) for part in turned]
    return "#" + "".join(f"{level:02x}" for level in levels)


def _linear(value: float) -> float:
    return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4


def _encoded(value: float) -> float:
    return 12.92 * value if value <= 0.0031308 else 1.055 * value ** (1 / 2.4) - 0.055


def _lab(rgb: list[float]) -> tuple[float, float, float]:
    x, y, z = (
        _root(sum(m * v for m, v in zip(row, rgb, strict=True)) / white)
        for row, white in zip(_XYZ, _WHITE, strict=True)
    )
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


def _root(value: float) -> float:
    return value ** (1 / 3) if value > _EPSILON else (_KAPPA * value + 16) / 116


def _linear_rgb(lightness: float, a: float, b: float) -> list[float]:
    y = (lightness + 16) / 116
    xyz = [
        white * (t**3 if t**3 > _EPSILON else (116 * t - 16) / _KAPPA)
        for t, white in zip((y + a / 500, y, y - b / 200), _WHITE, strict=True)
    ]
    return [sum(m * v for m, v in zip(row, xyz, strict=True)) for row in _RGB]
