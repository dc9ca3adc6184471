"""Focus measures that belong to no family: contrast, curvature, patterns, correlation."""

from __future__ import annotations

import math

import numpy as np

from ...ground.types import Reals
from .filters import COLUMNS, ROWS, box_mean, gaussian_derivative, pad, shifted
from .gradient import gradient_energy
from .measure import Measure, gaussian_rows, two_windows

_HALF_RING = ((0, 1), (1, -1), (1, 0), (1, 1))  # one of each opposite pair of neighbours


def mis1(image: Reals, window: int) -> Reals:
    """Absolute central moment: mean distance of the window's greys from their mean.

    Shirvaikar 2004. Every pixel of the window is visited, so the cost grows with its area.
    """
    half = window // 2
    mean = box_mean(image, window)
    padded = pad(image, half)
    total = np.zeros_like(image)
    for down in range(-half, half + 1):
        for right in range(-half, half + 1):
            total += np.abs(shifted(padded, half, down, right) - mean)
    total /= window * window
    return total


def mis2(image: Reals, window: int) -> Reals:
    """Brenner's measure: squared difference of pixels two apart (Brenner and others 1976)."""
    difference = shifted(pad(image, 2), 2, 0, 2) - image
    difference *= difference
    return box_mean(difference, window)


def mis3(image: Reals, window: int) -> Reals:
    """Image contrast: absolute differences to the eight neighbours (Nanda and Cutler 2001)."""
    padded = pad(image, 1)
    total = np.zeros_like(image)
    for down, right in _HALF_RING:
        for sign in (1, -1):
            total += np.abs(shifted(padded, 1, sign * down, sign * right) - image)
    return box_mean(total, window)


def mis4(image: Reals, window: int) -> Reals:
    """Coefficients of a quadric fitted to 3 x 3 pixels (Helmli and Scherer 2001).

    Notes
    -----
    The printed masks fit c0 x + c1 y + c2 x^2 + c3 y^2 without a constant term, so c2 and c3 carry
    0.6 of the local grey level: the measure is not free of offset.
    """
    padded = pad(image, 1)
    column_sums = padded[..., :-2, :] + padded[..., 1:-1, :]
    column_sums += padded[..., 2:, :]
    row_sums = padded[..., :-2] + padded[..., 1:-1]
    row_sums += padded[..., 2:]
    slope_right = (column_sums[..., 2:] - column_sums[..., :-2]) / 6.0
    slope_down = (row_sums[..., 2:, :] - row_sums[..., :-2, :]) / 6.0
    bend_right = (column_sums[..., 2:] + column_sums[..., :-2]) / 5.0
    bend_down = (row_sums[..., 2:, :] + row_sums[..., :-2, :]) / 5.0
    total = np.abs(slope_right) + np.abs(slope_down)
    total += np.abs(1.5 * bend_right - bend_down)
    total += np.abs(1.5 * bend_down - bend_right)
    return box_mean(total, window)


def mis5(image: Reals, window: int) -> Reals:
    """Mean of max(mu/I, I/mu), mu the local mean (Helmli and Scherer 2001); 1 on flat ground.

    A pixel or a mean that is not positive has no ratio and counts as flat.
    """
    mean = box_mean(image, window)
    lit = (image > 0.0) & (mean > 0.0)
    quotient = np.divide(image, mean, out=np.ones_like(image), where=lit)
    np.maximum(quotient, np.divide(1.0, quotient), out=quotient)
    return box_mean(quotient, window)


def mis6(image: Reals, window: int, *, radius: float = 2.0) -> Reals:
    """Local binary patterns: how many of eight points on a ring are no darker (Lorenzo 2008).

    Parameters
    ----------
    image : array (n, rows, columns)
    window : int
    radius : float
        Of the ring, in pixels; points between pixels are interpolated linearly.
    """
    reach = math.ceil(radius)
    padded = pad(image, reach)
    count = np.zeros_like(image)
    for down, right in _ring(radius):
        count += _between(padded, reach, down, right) >= image
    return box_mean(count, window)


def _ring(radius: float) -> list[tuple[float, float]]:
    slant = radius * math.sqrt(0.5)
    straight = [(0.0, radius), (radius, 0.0), (0.0, -radius), (-radius, 0.0)]
    return straight + [(i * slant, j * slant) for i in (1, -1) for j in (1, -1)]


def _between(padded: Reals, reach: int, down: float, right: float) -> Reals:
    """Interpolate at a shift between pixels; a + t (b - a), so that equal pixels stay equal."""
    row, column = math.floor(down), math.floor(right)
    over = _lerp_columns(padded, reach, row, column, right - column)
    if down == row:
        return over
    under = _lerp_columns(padded, reach, row + 1, column, right - column)
    return over + (down - row) * (under - over)


def _lerp_columns(padded: Reals, reach: int, row: int, column: int, share: float) -> Reals:
    here = shifted(padded, reach, row, column)
    if share == 0.0:
        return here
    return here + share * (shifted(padded, reach, row, column + 1) - here)


def mis7(image: Reals, window: int, *, sigma: float | None = None) -> Reals:
    """Strongest of eight steered Gaussian derivatives, 45 degrees apart (Minhas et al. 2009).

    Parameters
    ----------
    image : array (n, rows, columns)
    window : int
    sigma : float, optional
        Of the Gaussian, in pixels; a fifth of the window if not given.
    """
    width = window / 5.0 if sigma is None else sigma
    right = np.abs(gaussian_derivative(image, width, COLUMNS))
    down = np.abs(gaussian_derivative(image, width, ROWS))
    slant = (right + down) * math.sqrt(0.5)
    return box_mean(np.maximum(np.maximum(right, down), slant), window)


def mis8(image: Reals, window: int) -> Reals:
    """Spatial frequency (Eskicioglu and Fisher 1995): the square root of GRA2."""
    energy = box_mean(gradient_energy(image), window)
    return np.sqrt(np.maximum(energy, 0.0, out=energy), out=energy)


def mis9(image: Reals, window: int) -> Reals:
    """Vollath's autocorrelation F4: of white noise its mean is 0. It may be negative."""
    padded = pad(image, 2)
    difference = shifted(padded, 2, 0, 1) - shifted(padded, 2, 0, 2)
    difference *= image
    return box_mean(difference, window)


def _ring_rows(window: int, *, radius: float = 2.0) -> int:
    return window // 2 + math.ceil(radius)


_FAMILY = "miscellaneous"

MEASURES = (
    Measure("mis1", _FAMILY, "absolute central moment", "Shirvaikar 2004", mis1, degree=1),
    Measure("mis2", _FAMILY, "Brenner's measure", "Brenner et al. 1976", mis2, degree=2),
    Measure("mis3", _FAMILY, "image contrast", "Nanda and Cutler 2001", mis3, degree=1),
    Measure(
        "mis4", _FAMILY, "image curvature", "Helmli and Scherer 2001", mis4,
        degree=1, offset_free=False,
    ),
    Measure(
        "mis5", _FAMILY, "Helmli's mean", "Helmli and Scherer 2001", mis5,
        degree=0, offset_free=False, rows=two_windows,
    ),
    Measure(
        "mis6", _FAMILY, "local binary patterns", "Lorenzo et al. 2008", mis6,
        degree=0, rows=_ring_rows,
    ),
    Measure(
        "mis7", _FAMILY, "steerable filters", "Minhas et al. 2009", mis7,
        degree=1, rows=gaussian_rows,
    ),
    Measure("mis8", _FAMILY, "spatial frequency", "Eskicioglu and Fisher 1995", mis8, degree=1),
    Measure(
        "mis9", _FAMILY, "Vollath's autocorrelation", "Vollath 1987", mis9,
        degree=2, offset_free=False, signed=True,
    ),
)  # fmt: skip
