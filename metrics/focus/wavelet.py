"""Focus measures from undecimated wavelets, and from a curvelet frame."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ...ground.types import Reals
from .curvelet import directional_bands
from .filters import COLUMNS, ROWS, box_mean, box_variance, ratio
from .measure import Measure

# Daubechies' extremal-phase filter with six vanishing moments, norm 1 (Daubechies, Ten Lectures on
# Wavelets, 1992, table 6.1). The tests hold it to the conditions that determine it.
DB6 = np.array(
    [
        0.11154074335008017,
        0.4946238903983854,
        0.7511339080215775,
        0.3152503517092432,
        -0.22626469396516913,
        -0.12976686756709563,
        0.09750160558707936,
        0.02752286553001629,
        -0.031582039318031156,
        0.0005538422009938016,
        0.004777257511010651,
        -0.00107730108499558,
    ]
)
DB6_HIGH = DB6[::-1] * np.tile([1.0, -1.0], 6)


def details(image: Reals) -> tuple[Reals, Reals, Reals]:
    """Level-1 bands (low down, high right), (high, low), (high, high), each as large as the image.

    The taps are lined up on their own centre of energy, so that a detail is found where it is.
    """
    low = _correlate(image, DB6, ROWS)
    high = _correlate(image, DB6_HIGH, ROWS)
    return (
        _correlate(low, DB6_HIGH, COLUMNS),
        _correlate(high, DB6, COLUMNS),
        _correlate(high, DB6_HIGH, COLUMNS),
    )


def approximation(image: Reals, level: int) -> Reals:
    """Smooth band of the undecimated transform at a level; a constant grows by 2 each level."""
    smooth = image
    for step in (1 << k for k in range(level)):
        smooth = _correlate(_correlate(smooth, DB6, ROWS, step), DB6, COLUMNS, step)
    return smooth


def _correlate(image: Reals, taps: npt.NDArray[np.float64], axis: int, step: int = 1) -> Reals:
    """Correlate along an axis with taps `step` pixels apart."""
    centre = round(float(np.sum(np.arange(len(taps)) * taps**2)))
    widths = [(0, 0)] * image.ndim
    widths[axis] = (centre * step, (len(taps) - 1 - centre) * step)
    padded = np.moveaxis(np.pad(image, widths, mode="edge"), axis, 0)
    length = image.shape[axis]
    total = float(taps[0]) * padded[:length]
    part = np.empty_like(total)
    for number, tap in enumerate(taps[1:].tolist(), start=1):
        total += np.multiply(padded[number * step : number * step + length], tap, out=part)
    return np.moveaxis(total, 0, axis)


def wav1(image: Reals, window: int) -> Reals:
    """Sum of the absolute details of level 1 (Yang and Nelson 2003)."""
    horizontal, vertical, diagonal = details(image)
    total = np.abs(horizontal)
    total += np.abs(vertical)
    total += np.abs(diagonal)
    return box_mean(total, window)


def wav2(image: Reals, window: int) -> Reals:
    """Variance of the details of level 1, summed over the bands (Yang and Nelson 2003)."""
    horizontal, vertical, diagonal = (box_variance(band, window) for band in details(image))
    return horizontal + vertical + diagonal


def wav3(image: Reals, window: int) -> Reals:
    """Energy of the level-1 details over that of the level-3 smooth band (Xie and others 2006)."""
    energy = np.zeros_like(image)
    for band in details(image):
        energy += band * band
    smooth = approximation(image, 3)
    return ratio(box_mean(energy, window), box_mean(smooth * smooth, window))


def wav4(image: Reals, window: int, *, orientations: int = 8) -> Reals:
    """Fine over coarse curvelet coefficients, summed over orientations (Minhas and others 2011).

    Parameters
    ----------
    image : array (n, rows, columns)
    window : int
    orientations : int
        Directions over the half circle.

    Notes
    -----
    The two finest levels of an undecimated curvelet-type frame stand in for the published
    transform; its contrast enhancement and denoising are left out. A thousandth of the frame's
    mean coarse coefficient is added below the line, so that flat ground stays at 0.
    """
    fine, coarse = directional_bands(image, orientations=orientations, levels=2)
    total = np.zeros_like(image)
    for above, below in zip(fine, coarse, strict=True):
        coarse_mean = box_mean(np.abs(below), window)
        coarse_mean += 1e-3 * coarse_mean.mean(axis=(ROWS, COLUMNS), keepdims=True)
        total += ratio(box_mean(np.abs(above), window), coarse_mean)
    return total


def _level_1_rows(window: int) -> int:
    return window // 2 + len(DB6)


def _level_3_rows(window: int) -> int:
    return window // 2 + 7 * len(DB6)  # taps 1, 2 and 4 pixels apart


_FAMILY = "wavelet"

MEASURES = (
    Measure(
        "wav1", _FAMILY, "sum of wavelets", "Yang and Nelson 2003", wav1,
        degree=1, rows=_level_1_rows,
    ),
    Measure(
        "wav2", _FAMILY, "variance of wavelets", "Yang and Nelson 2003", wav2,
        degree=2, rows=_level_1_rows,
    ),
    Measure(
        "wav3", _FAMILY, "ratio of wavelets", "Xie et al. 2006", wav3,
        degree=0, offset_free=False, rows=_level_3_rows,
    ),
    Measure(
        "wav4", _FAMILY, "ratio of curvelets", "Minhas et al. 2011", wav4,
        degree=0, rows=None,
    ),
)  # fmt: skip
