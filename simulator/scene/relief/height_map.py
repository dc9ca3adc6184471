"""A height map of one's own: a picture whose values are heights."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from pydantic import Field, model_validator
from pydantic.dataclasses import dataclass
from scipy.ndimage import gaussian_filter, maximum_filter, minimum_filter, uniform_filter

from ....ground.arrays import single
from ....ground.types import Floats
from ...own_files import OwnChecksum, OwnFile, OwnPath, known
from ...rig import STRICT
from ..pattern import maps
from .gauges import Gauge, bounds_mm, gauge, max_slope

#: Heights of files beyond this are in another unit.
_HIGHEST_MM = 1_000.0
#: Deviations, px, of the bells that smooth the steps of whole numbers, and how many of them a
#: bell reaches.
_BELLS, _REACH = (1, 2, 4, 8, 16, 32), 3
#: Rounding leaves a mean square of 1/12 of a step (Bennett 1948, Bell Syst. Tech. J. 27, 446); a
#: half more is another surface.
_ROUNDED = 1.5 / 12
#: Fewest pixels a side over which that is told.
_FEW = 15


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class HeightMap:
    """A height map of one's own: measured, drawn, or made by another program.

    Its middle lies at (0, 0). Heights between its pixels are those of a quadratic B-spline: a
    smooth mean of nine pixels, exact on a plane, never beyond them; a single pixel that stands
    out counts 9/16. Heights of 8 bits are first smoothed where all around, by up to a bell
    of 32 pixels, that differs from what the file says as rounding does: so their steps
    make no terraces on even slopes, and edges and grain stay. What is left: terraces wider
    than about 100 pixels; 16 bits or floating point need none of it. Nothing is taken away for a
    pixel's size: a map much finer than the pixels is best made coarser before.

    Parameters
    ----------
    file : str
        Grey TIFF, PNG or JPEG, from the scene file's folder; 2 pixels a side to 50 million.
    width_mm : float
        What it covers from its left edge to its right; its pixels are square.
    white_mm, black_mm : float
        Heights toward the camera at white (255, 65535, or 1 in floating point) and at black (0),
        and evenly between: no sRGB. With 1 and 0, a floating-point file is in mm.
    soft_px : float
        Deviation of a bell that smooths the map, in its pixels; 0 for none.
    repeat : {"none", "tile", "mirror"}
        How it goes on beyond its edges: with ``none`` the height of the edge stays.
    sha256 : str
        Checksum of the file. Left out, it is filled in by what is read; told, another content is
        refused.
    """

    file: OwnPath
    width_mm: float = Field(gt=0)
    white_mm: float
    black_mm: float = 0.0
    soft_px: float = Field(default=0.0, ge=0, le=50)
    repeat: maps.Repeat = "none"
    sha256: OwnChecksum = ""
    kind: Literal["heights"] = "heights"

    @model_validator(mode="after")
    def _readable(self) -> HeightMap:
        if self.white_mm == self.black_mm:
            raise ValueError(f"white_mm: got {self.white_mm:g}, allowed another than black_mm")
        file = known(self.file, self.sha256)
        object.__setattr__(self, "sha256", file.sha256)
        low, high = bounds_mm(self)
        if max(-low, high) > _HIGHEST_MM:
            raise ValueError(
                f"{self.file}: got heights from {low:g} to {high:g} mm, allowed up to "
                f"{_HIGHEST_MM:g} mm: is the file in another unit?"
            )
        return self


class _Map(NamedTuple):
    """Heights in parts of the rise, ready to be read, and their bounds; slopes are per texel."""

    padded: Floats
    cols: int
    rows: int
    low: float
    high: float
    steepest: float


@lru_cache(maxsize=4)
def _map(file: OwnFile, soft_px: float, repeat: maps.Repeat) -> _Map:
    stored = file.picture()
    if stored.ndim == 3:
        if (stored != stored[..., :1]).any():
            raise ValueError(f"{file.path}: got a picture in colours, allowed heights in grey")
        stored = stored[..., 0]
    share = stored.astype(np.float64)
    if stored.dtype == np.uint8:
        share = without_terraces(share, repeat)
    if stored.dtype.kind != "f":
        share /= np.iinfo(stored.dtype).max
    if soft_px > 0:
        share = gaussian_filter(share, soft_px, mode=maps.EDGES[repeat])
    texels = maps.padded(share.astype(np.float32), repeat)
    rows, cols = share.shape
    return _Map(texels, cols, rows, float(texels.min()), float(texels.max()), _steepest(texels))


def without_terraces(values: npt.NDArray[np.float64], repeat: maps.Repeat) -> npt.NDArray:
    """Return a smooth surface that whole numbers may have been rounded from.

    Parameters
    ----------
    values : ndarray, shape (rows, cols)
        Whole numbers.
    repeat : {"none", "tile", "mirror"}
        What lies beyond the edges.

    Returns
    -------
    ndarray
        Nowhere farther from the numbers than a step. About each place it is a mean as wide as can
        be, up to a bell of 32 pixels: where all around a mean is as near to the numbers as
        rounding leaves a surface, their steps tell nothing. Edges and grain are so left alone.
    """
    edge = maps.EDGES[repeat]
    found = values
    for deviation in _BELLS:
        if _REACH * deviation > min(values.shape):
            break
        mean = _mean(values, 2 * deviation + 1, repeat)
        off = mean - values
        around = max(_FEW, _REACH * deviation + 1)
        alike = uniform_filter(uniform_filter(off * off, around, mode=edge), around, mode=edge)
        fits = (alike <= _ROUNDED) & (maximum_filter(np.abs(off), around, mode=edge) < 1)
        if not fits.any():
            break  # nor does a wider mean
        # Eroded farther than it is then washed out, so that no share is taken where it is not.
        share = minimum_filter(fits.astype(np.float32), 2 * _REACH * deviation + 1, mode=edge)
        for _ in range(2):
            share = uniform_filter(share, 2 * deviation + 1, mode=edge)
        found = found + share * (mean - found)
    return found


def _mean(values: npt.NDArray, width: int, repeat: maps.Repeat) -> npt.NDArray:
    """Return means over a box taken thrice, nearly a bell, about each place.

    Where a map ends they are those of planes fitted to what there is (local linear regression),
    so that an even slope is left alone there too.
    """
    if repeat != "none":
        return _thrice(values, width, maps.EDGES[repeat])
    rows, cols = values.shape
    down, across = _along(rows, width), _along(cols, width)
    weight = down.weight[:, None] * across.weight
    mean = _thrice(values, width, "constant") / weight
    # A box weighs each axis by itself, so that the slopes along them are found one by one.
    tilted = [(down, lambda line: line[:, None]), (across, lambda line: line[None, :])]
    level = mean.copy()
    for axis, shaped in tilted:
        place = shaped(axis.place)
        both = _thrice(values * place, width, "constant") / weight - shaped(axis.mean) * mean
        level += both / shaped(axis.variance) * (place - shaped(axis.mean))
    return level


class _Along(NamedTuple):
    """Places along an axis that ends, and what a mean about each of them weighs and holds."""

    place: npt.NDArray
    weight: npt.NDArray
    mean: npt.NDArray
    variance: npt.NDArray


def _along(length: int, width: int) -> _Along:
    place = np.arange(length) - length / 2
    weight, first, second = (
        _thrice(line, width, "constant") for line in (np.ones(length), place, place**2)
    )
    return _Along(place, weight, first / weight, second / weight - (first / weight) ** 2)


def _thrice(values: npt.NDArray, width: int, mode: str) -> npt.NDArray:
    for _ in range(3):
        values = uniform_filter(values, width, mode=mode)
    return values


def _steepest(texels: Floats) -> float:
    """Return a slope per texel that no point of the spline exceeds.

    Its slope along an axis is a weighted mean of differences of the nine texels about the point.
    """
    across, down = np.zeros_like(texels), np.zeros_like(texels)
    across[:, :-1] = np.abs(np.diff(texels, axis=1))
    down[:-1] = np.abs(np.diff(texels, axis=0))
    return float(np.hypot(maximum_filter(across, 3), maximum_filter(down, 3)).max())


def _of(relief: HeightMap) -> _Map:
    return _map(OwnFile(relief.file, relief.sha256), relief.soft_px, relief.repeat)


@gauge.register
def _(relief: HeightMap, seed: int) -> Gauge:
    found = _of(relief)
    across = single(1 / relief.width_mm)
    down = single(found.cols / found.rows / relief.width_mm)
    half, black = single(0.5), single(relief.black_mm)
    rise = single(relief.white_mm - relief.black_mm)

    def gauge_map(x: Floats, y: Floats) -> Floats:
        u = maps.folded(across * x + half, relief.repeat)
        v = maps.folded(down * y + half, relief.repeat)
        return black + rise * maps.read_smooth(found.padded, u, v)

    return gauge_map


@bounds_mm.register
def _(relief: HeightMap) -> tuple[float, float]:
    found, rise = _of(relief), relief.white_mm - relief.black_mm
    ends = [relief.black_mm + rise * found.low, relief.black_mm + rise * found.high]
    # float32 weights of a mean add up to 1 but for their last digit.
    spare = 1e-6 * abs(rise) * max(abs(found.low), abs(found.high)) * (found.low < found.high)
    return min(ends) - spare, max(ends) + spare


@max_slope.register
def _(relief: HeightMap) -> float:
    found = _of(relief)
    return abs(relief.white_mm - relief.black_mm) * found.steepest * found.cols / relief.width_mm
