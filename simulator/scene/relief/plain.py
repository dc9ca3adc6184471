"""Reliefs of plain shape: slopes, steps, cones, domes, rough surfaces, and pictures as heights."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field, field_validator
from pydantic.dataclasses import dataclass
from scipy.ndimage import gaussian_filter

from ....ground.arrays import clip, namespace, single
from ....ground.pictures import read_image
from ....ground.types import Floats
from ...data import data_folder
from ...rig import STRICT
from ...tables import table
from ..pattern import tiles
from .gauges import Gauge, bounds_mm, gauge, max_slope


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class FlatRelief:
    """No relief: height 0."""

    kind: Literal["flat"] = "flat"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Slope:
    """A tilted plane.

    Parameters
    ----------
    slope_x, slope_y : float
        Rise toward the camera per mm to the right and per mm down.
    reach_mm : float
        The slope ends at this distance from the middle, each way; beyond, the height stays.
    """

    slope_x: float = 0.0
    slope_y: float = 0.0
    reach_mm: float = Field(default=50.0, gt=0)
    kind: Literal["slope"] = "slope"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Steps:
    """A staircase that rises to the right.

    Parameters
    ----------
    rise_mm, tread_mm : float
        Height and width of a step.
    count : int
        Number of rises; the middle of the stair is at x = 0, height 0.
    riser_mm : float
        Width over which a rise happens, so that its slope is finite.
    """

    rise_mm: float = Field(gt=0)
    tread_mm: float = Field(gt=0)
    count: int = Field(ge=1, le=200)
    riser_mm: float = Field(default=0.05, gt=0)
    kind: Literal["steps"] = "steps"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Cone:
    """A cone with a rounded tip on a flat ground.

    Parameters
    ----------
    height_mm, radius_mm : float
        Of the sharp cone; the ground has height 0.
    tip_mm : float
        Radius of the zone in which the tip is rounded off.
    """

    height_mm: float = Field(gt=0)
    radius_mm: float = Field(gt=0)
    tip_mm: float = Field(default=0.1, gt=0)
    kind: Literal["cone"] = "cone"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Dome:
    """A paraboloid cap on a flat ground, over a circle or an ellipse.

    Parameters
    ----------
    height_mm : float
        At the middle.
    radius_mm : (along x, along y)
        Of its foot.
    """

    height_mm: float = Field(gt=0)
    radius_mm: tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]]
    kind: Literal["dome"] = "dome"


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Rough:
    """A smooth rough surface: three octaves of noise.

    Parameters
    ----------
    amplitude_mm : float
        Standard deviation of the height.
    cell_mm : float
        Size of the largest bumps.
    falloff : float
        Amplitude falls as frequency to this power, 1.5 (rough) to 4 (smooth).
    """

    amplitude_mm: float = Field(gt=0)
    cell_mm: float = Field(gt=0)
    falloff: float = Field(default=2.5, ge=1.5, le=4)
    kind: Literal["rough"] = "rough"


@gauge.register
def _(relief: FlatRelief, seed: int) -> Gauge:
    return lambda x, y: namespace(x).zeros_like(x)


@bounds_mm.register
def _(relief: FlatRelief) -> tuple[float, float]:
    return 0.0, 0.0


@max_slope.register
def _(relief: FlatRelief) -> float:
    return 0.0


@gauge.register
def _(relief: Slope, seed: int) -> Gauge:
    sx, sy, reach = map(single, (relief.slope_x, relief.slope_y, relief.reach_mm))
    return lambda x, y: sx * clip(x, -reach, reach) + sy * clip(y, -reach, reach)


@bounds_mm.register
def _(relief: Slope) -> tuple[float, float]:
    most = (abs(relief.slope_x) + abs(relief.slope_y)) * relief.reach_mm
    return -most, most


@max_slope.register
def _(relief: Slope) -> float:
    return float(np.hypot(relief.slope_x, relief.slope_y))


@gauge.register
def _(relief: Steps, seed: int) -> Gauge:
    last = single((relief.count - 1) / 2)
    half = single(relief.riser_mm / relief.tread_mm / 2)

    def gauge_steps(x: Floats, y: Floats) -> Floats:
        # Rises stand at whole numbers, from 0 to count - 1.
        at = clip(x / single(relief.tread_mm) + last, -1, relief.count)
        nearest = clip(namespace(x).round(at), 0, relief.count - 1)
        share = clip((at - nearest) / half, -1, 1) * 0.5
        return (nearest - last + share) * single(relief.rise_mm)  # type: ignore[no-any-return]

    return gauge_steps


@bounds_mm.register
def _(relief: Steps) -> tuple[float, float]:
    most = relief.count / 2 * relief.rise_mm
    return -most, most


@max_slope.register
def _(relief: Steps) -> float:
    return relief.rise_mm / relief.riser_mm


@gauge.register
def _(relief: Cone, seed: int) -> Gauge:
    slope = single(relief.height_mm / relief.radius_mm)
    tip = single(relief.tip_mm)

    def gauge_cone(x: Floats, y: Floats) -> Floats:
        # A hyperboloid: rounded at the tip, soon a cone.
        xp = namespace(x)
        radius = xp.sqrt(x * x + y * y + single(tip * tip))
        return xp.maximum(single(relief.height_mm) - slope * radius, 0)  # type: ignore[no-any-return]

    return gauge_cone


@bounds_mm.register
def _(relief: Cone) -> tuple[float, float]:
    return 0.0, max(relief.height_mm * (1 - relief.tip_mm / relief.radius_mm), 0.0)


@max_slope.register
def _(relief: Cone) -> float:
    return relief.height_mm / relief.radius_mm


@gauge.register
def _(relief: Dome, seed: int) -> Gauge:
    a, b = map(single, relief.radius_mm)
    height = single(relief.height_mm)
    return lambda x, y: height * namespace(x).maximum(1 - (x / a) ** 2 - (y / b) ** 2, 0)


@bounds_mm.register
def _(relief: Dome) -> tuple[float, float]:
    return 0.0, relief.height_mm


@max_slope.register
def _(relief: Dome) -> float:
    return 2 * relief.height_mm / min(relief.radius_mm)


_ROUGH_CELLS = 8.0
_ROUGH_PX = 512


@table(most=8)
def rough_tile(falloff: float) -> tuple[Floats, float, float, float]:
    """Make smooth noise of unit deviation: spline tile, least, greatest, steepest per period.

    Features run from _ROUGH_CELLS to eight times as many per period.
    """
    n = _ROUGH_PX
    radius = np.hypot(np.fft.fftfreq(n, 1 / n)[:, None], np.fft.rfftfreq(n, 1 / n)[None, :])
    amplitude = (_ROUGH_CELLS**2 + radius**2) ** (-falloff / 2)
    amplitude *= np.exp(-((radius / (8 * _ROUGH_CELLS)) ** 4))
    amplitude[0, 0] = 0
    white = np.random.default_rng(5).standard_normal((n, n))
    tile = np.fft.irfft2(np.fft.rfft2(white) * amplitude, s=(n, n))
    tile /= tile.std()
    gy, gx = np.gradient(np.pad(tile, 1, mode="wrap"), 1 / n)
    # Between texels a spline may pass the samples by a little; 5 % covers it at this sampling.
    steepest = 1.05 * float(np.hypot(gx, gy).max())
    low, high = (1.05 * float(v) for v in (tile.min(), tile.max()))
    return tiles.spline(tile.astype(np.float32)), low, high, steepest


@gauge.register
def _(relief: Rough, seed: int) -> Gauge:
    tile = rough_tile(relief.falloff)[0]
    put = tiles.Placing(seed, "rough").layer(_ROUGH_CELLS * relief.cell_mm, 0)
    amplitude = single(relief.amplitude_mm)
    return lambda x, y: amplitude * tiles.look_up_smooth(tile, *put(x, y))


@bounds_mm.register
def _(relief: Rough) -> tuple[float, float]:
    _, low, high, _ = rough_tile(relief.falloff)
    return relief.amplitude_mm * low, relief.amplitude_mm * high


@max_slope.register
def _(relief: Rough) -> float:
    steepest = rough_tile(relief.falloff)[3]
    return relief.amplitude_mm * steepest / (_ROUGH_CELLS * relief.cell_mm)


# -- pictures as heights -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class ImageRelief:
    """Height from the brightness of a picture, repeated without a seam.

    Parameters
    ----------
    picture : str
        "gravel" or "grass" (photographs of the scikit-image wheel; then it fits the texture of
        kind "photo" with the same picture and tile size), or the name of a PNG file in
        scenes/textures, square, its side a power of two, or the path of one.
    tile_mm : float
        Side of the picture on the subject.
    rise_mm : float
        From the darkest to the brightest.
    soft : float
        Deviation of the bell that smooths the picture, in its pixels.
    """

    picture: str
    tile_mm: float = Field(gt=0)
    rise_mm: float = Field(gt=0)
    soft: float = Field(default=2.0, ge=0.7, le=50)
    kind: Literal["image"] = "image"

    @field_validator("picture")
    @classmethod
    def _readable(cls, picture: str) -> str:
        _brightness(picture)
        return picture


@lru_cache(maxsize=4)
def _brightness(picture: str) -> npt.NDArray[np.float64]:
    if picture in ("gravel", "grass"):
        return tiles.photograph(picture).astype(np.float64)
    path = Path(picture)
    if not path.is_file():
        path = data_folder() / "textures" / picture
    if not path.is_file():
        raise ValueError(f"picture: got {picture!r}, allowed gravel, grass, or a PNG file")
    values = np.asarray(read_image(path), np.float64)
    if values.ndim == 3:
        values = values.mean(axis=2)
    side = values.shape[0]
    if values.shape != (side, side) or side & (side - 1) or side < 8:
        raise ValueError(
            f"picture {picture!r}: got {values.shape[1]} x {values.shape[0]} pixels, allowed "
            "square, the side a power of two from 8"
        )
    return tiles.periodic(values)


@lru_cache(maxsize=8)
def _image_tile(picture: str, soft: float) -> tuple[Floats, float, float, float]:
    """Return the spline tile for a rise of 1, its least, greatest, and steepest per period."""
    values = gaussian_filter(_brightness(picture), soft, mode="wrap")
    values = (values - values.min()) / max(float(np.ptp(values)), 1e-12)
    gy, gx = np.gradient(np.pad(values, 1, mode="wrap"), 1 / values.shape[0])
    return tiles.spline(values.astype(np.float32)), -0.05, 1.05, 1.2 * float(np.hypot(gx, gy).max())


@gauge.register
def _(relief: ImageRelief, seed: int) -> Gauge:
    tile = _image_tile(relief.picture, relief.soft)[0]
    put = tiles.Placing(seed, "photo", turn=0.0).layer(relief.tile_mm, 0)
    rise = single(relief.rise_mm)
    return lambda x, y: rise * tiles.look_up_smooth(tile, *put(x, y))


@bounds_mm.register
def _(relief: ImageRelief) -> tuple[float, float]:
    _, low, high, _ = _image_tile(relief.picture, relief.soft)
    return relief.rise_mm * low, relief.rise_mm * high


@max_slope.register
def _(relief: ImageRelief) -> float:
    return relief.rise_mm / relief.tile_mm * _image_tile(relief.picture, relief.soft)[3]
