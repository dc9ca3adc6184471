"""Modulation transfer from a picture of a slanted straight edge.

The steps of ISO 12233: place the edge in every row by the centroid of its derivative, fit a line,
project all pixels on the normal, four points per pixel, differentiate, window, transform, and
divide by the transfer of the derivative. Ours alone: lines are fitted where the standard takes bin
means, so that no angle loses accuracy, and their own transfer is divided out too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..ground.types import Doubles
from .record import Metric

POINTS_PER_PX = 4
MIN_SIDE_PX = 20
_LEAST_ANGLE_DEG, _MOST_ANGLE_DEG = 1.0, 44.0
_LEAST_SAMPLED = 0.9
_LEAST_CONTRAST = 0.02  # of the brighter side


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeResponse:
    """What a slanted edge says about sharpness.

    Parameters
    ----------
    frequency_cy_px : array of float64
        Spatial frequency across the edge, cycles per pixel, from 0.
    transfer : array of float64
        Modulation transfer, 1 at frequency 0.
    angle_deg : float
        Angle between the edge and the nearer pixel axis.
    position_px, spread : array of float64
        Distance from the edge and its edge-spread function, 0 to 1 from one side to the other.
    """

    frequency_cy_px: Doubles
    transfer: Doubles
    angle_deg: float
    position_px: Doubles
    spread: Doubles

    def at(self, frequency_cy_px: npt.ArrayLike) -> Doubles:
        """Transfer at these frequencies, cycles per pixel."""
        wanted = np.asarray(frequency_cy_px, dtype=np.float64)
        return np.interp(wanted, self.frequency_cy_px, self.transfer)

    def frequency_of(self, transfer: float) -> float:
        """Lowest frequency at which the transfer falls to a value; NaN if it does not."""
        below = np.flatnonzero(self.transfer < transfer)
        if below.size == 0 or below[0] == 0:
            return math.nan
        high = int(below[0])
        pair = slice(high - 1, high + 1)
        return float(np.interp(-transfer, -self.transfer[pair], self.frequency_cy_px[pair]))


def slanted_edge(image: npt.ArrayLike) -> EdgeResponse:
    """Measure the modulation transfer across one slanted edge.

    Parameters
    ----------
    image : array_like
        Shape (H, W), one channel in *linear* light, any scale: one straight edge, near-upright or
        near-level, that goes through the whole cut-out and stands 1 to 44 degrees off the pixel
        axes. At least 20 px a side; the cut-out should be some 30 times as wide as the blur's
        standard deviation, or the window takes away from the blur (1 % of MTF50 at 30, measured).

    Returns
    -------
    EdgeResponse
        Up to 1 cycle per pixel.

    Raises
    ------
    ValueError
        Not one plane, too small, not finite, no edge, an edge along the pixels, or one at a slope
        so simple that its pixels sample too few places across it.
    """
    plane = _upright(_checked(image))
    places = _edge_places(plane)
    rows = np.arange(plane.shape[0])
    slope, offset = np.polyfit(rows, places, 1)
    angle = math.degrees(math.atan(abs(slope)))
    if not _LEAST_ANGLE_DEG <= angle <= _MOST_ANGLE_DEG:
        raise ValueError(
            f"the edge must stand {_LEAST_ANGLE_DEG:g} to {_MOST_ANGLE_DEG:g} degrees off the "
            f"pixel axes, got {angle:.2f}"
        )
    plane = plane[: _whole_periods(plane.shape[0], slope)]
    distance = np.arange(plane.shape[1])[None, :] - (slope * rows[: len(plane), None] + offset)
    position, spread = _projected(plane, distance * math.cos(math.atan(slope)))
    frequency, transfer = _transfer(spread)
    low, high = spread[:POINTS_PER_PX].mean(), spread[-POINTS_PER_PX:].mean()
    return EdgeResponse(
        frequency_cy_px=frequency,
        transfer=transfer,
        angle_deg=angle,
        position_px=position,
        spread=(spread - low) / (high - low),
    )


def mtf50_cy_px(image: npt.ArrayLike) -> float:
    """Frequency at which the transfer across a slanted edge falls to one half, cycles per pixel.

    Parameters
    ----------
    image : array_like
        As for `slanted_edge`.
    """
    return slanted_edge(image).frequency_of(0.5)


def _checked(image: npt.ArrayLike) -> Doubles:
    plane = np.asarray(image, dtype=np.float64)
    if plane.ndim != 2 or min(plane.shape) < MIN_SIDE_PX:
        raise ValueError(
            f"image must be one plane of at least {MIN_SIDE_PX} px a side, got shape {plane.shape}"
        )
    if not np.isfinite(plane).all():
        raise ValueError("image must be finite, got NaN or infinity")
    return plane


def _upright(plane: Doubles) -> Doubles:
    """Turn the plane so that its edge is near-upright and its bright side on the right."""
    quarter_y, quarter_x = plane.shape[0] // 4, plane.shape[1] // 4
    across = plane[:, -quarter_x:].mean() - plane[:, :quarter_x].mean()
    along = plane[-quarter_y:].mean() - plane[:quarter_y].mean()
    turned, contrast = (plane.T, along) if abs(along) > abs(across) else (plane, across)
    if abs(contrast) <= _LEAST_CONTRAST * np.abs(plane).max():
        raise ValueError(
            f"image must show an edge of a contrast above {_LEAST_CONTRAST:g} of the brighter "
            f"side, got {abs(contrast):.3g} of {np.abs(plane).max():.3g}"
        )
    return turned if contrast > 0 else turned[:, ::-1]


def _edge_places(plane: Doubles) -> Doubles:
    """Column of the edge in every row: centroid of the derivative, windowed about a first fit."""
    columns = np.arange(plane.shape[1])
    line = _derivative(plane)
    rows = np.arange(plane.shape[0])
    places = _centroid(line, columns, np.full(plane.shape[0], columns.mean()))
    for _ in range(2):
        fitted = np.asarray(np.polyval(np.polyfit(rows, places, 1), rows), dtype=np.float64)
        places = _centroid(line, columns, fitted)
    return places


def _centroid(line: Doubles, columns: npt.NDArray, middle: Doubles) -> Doubles:
    width = columns.size
    away = (columns[None, :] - middle[:, None]) / width
    weight = np.where(np.abs(away) <= 0.5, 0.54 + 0.46 * np.cos(2 * np.pi * away), 0.0)
    total = (line * weight).sum(axis=1)
    return (line * weight * columns).sum(axis=1) / total


def _whole_periods(rows: int, slope: float) -> int:
    """Rows over which the edge crosses a whole number of pixels, so that all phases weigh alike."""
    crossed = math.floor(rows * abs(slope))
    return min(rows, round(crossed / abs(slope))) if crossed else rows


def _projected(plane: Doubles, distance: Doubles) -> tuple[Doubles, Doubles]:
    """Edge-spread function on a grid of a quarter pixel, on both sides equally far.

    Bin means are off where the distances in a bin are not spread evenly about its middle, as at
    angles of simple slope. So each grid point takes the value of a straight line fitted to the
    pixels less than a step away, weighted by a triangle.
    """
    half = math.floor(min(-distance[:, 0].max(), distance[:, -1].min()) * POINTS_PER_PX)
    place = distance.ravel() * POINTS_PER_PX + half
    inside = (place >= 0) & (place < 2 * half)
    place, values = place[inside], plane.ravel()[inside]
    node = np.floor(place).astype(np.int64)
    moments = np.zeros((5, 2 * half + 1))
    for step in (0, 1):
        away = place - (node + step)
        weight = 1.0 - np.abs(away)
        terms = (weight, weight * away, weight * away**2, weight * values, weight * away * values)
        for row, term in enumerate(terms):
            moments[row] += np.bincount(node + step, weights=term, minlength=2 * half + 1)
    position = (np.arange(2 * half + 1) - half) / POINTS_PER_PX
    return position, _line_values(moments)


def _line_values(moments: Doubles) -> Doubles:
    """Value at each grid point of its weighted line; gaps are bridged from their neighbours."""
    count, first, second, total, skew = moments
    spread = count * second - first**2
    line = spread > 1e-6 * count**2
    value = np.full(count.shape, np.nan)
    value[line] = (second * total - first * skew)[line] / spread[line]
    known = np.isfinite(value)
    if known.mean() < _LEAST_SAMPLED:
        raise ValueError(
            "the edge must not lie at a simple slope such as 1/2 or 1/3: its pixels sample only "
            f"{known.mean():.0%} of the places across it, and {_LEAST_SAMPLED:.0%} are needed"
        )
    index = np.arange(value.size)
    return np.interp(index, index[known], value[known])


def _derivative(values: Doubles) -> Doubles:
    """Central difference (-1/2, 0, 1/2) along the last axis, 0 at both ends."""
    slope = np.zeros_like(values)
    slope[..., 1:-1] = 0.5 * (values[..., 2:] - values[..., :-2])
    return slope


def _transfer(spread: Doubles) -> tuple[Doubles, Doubles]:
    line = _derivative(spread)
    place = float((line * np.arange(line.size)).sum() / line.sum())
    away = (np.arange(line.size) - place) / line.size
    line = line * (0.54 + 0.46 * np.cos(2 * np.pi * np.clip(away, -0.5, 0.5)))
    padded = 8 * line.size  # a finer grid of frequencies, nothing else
    spectrum = np.abs(np.fft.rfft(line, padded))
    frequency = np.asarray(np.fft.rfftfreq(padded, 1 / POINTS_PER_PX), dtype=np.float64)
    keep = frequency <= 1.0
    frequency = frequency[keep]
    return frequency, spectrum[keep] / spectrum[0] * _correction(frequency)


def _correction(frequency_cy_px: Doubles) -> Doubles:
    """Inverse of what the finite difference and the averaging by a triangle took away."""
    difference = np.sinc(2.0 * frequency_cy_px / POINTS_PER_PX)
    averaging = np.sinc(frequency_cy_px / POINTS_PER_PX) ** 2
    return 1.0 / (difference * averaging)


METRICS = (
    Metric(
        name="mtf50_cy_px",
        title="MTF50",
        group="sharpness",
        unit="cy/px",
        direction="higher",
        best=1.0,
        range=(0.0, 1.0),
        function=mtf50_cy_px,
        reference="ISO 12233, slanted edge",
        undefined="the transfer stays above one half up to 1 cycle per pixel",
    ),
)
