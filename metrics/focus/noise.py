"""What white noise does to an energy measure, and how far it lets the peak wander.

For a linear filter a and the measure g = mean((a * (f + n))^2): after Subbarao and Tyan, IEEE
Trans. Pattern Analysis and Machine Intelligence 20, 864 (1998).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import signal


def noise_energy(kernel: npt.ArrayLike, *, sigma: float) -> float:
    """Mean that white noise adds to the energy: sigma^2 times the sum of the squared taps."""
    return float(sigma**2 * np.sum(np.square(np.asarray(kernel, dtype=np.float64))))


def energy_spread(
    kernel: npt.ArrayLike, *, sigma: float, pixels: int, image: npt.ArrayLike | None = None
) -> float:
    """Return the standard deviation of an energy measure under white noise.

    Parameters
    ----------
    kernel : array_like (rows, columns)
        Taps of the filter.
    sigma : float
        Standard deviation of the noise.
    pixels : int
        Number of pixels averaged over.
    image : array_like (rows, columns), optional
        The image without noise; flat ground if not given.
    """
    taps = np.asarray(kernel, dtype=np.float64)
    if taps.ndim != 2:
        raise ValueError(f"kernel must have rows and columns, got shape {taps.shape}")
    itself = signal.correlate2d(taps, taps)
    variance = 2.0 * sigma**4 / pixels * np.sum(itself**2)
    if image is not None:
        filtered = signal.convolve2d(np.asarray(image, dtype=np.float64), taps, mode="valid")
        back = signal.correlate2d(filtered, taps)
        variance += 4.0 * sigma**2 / pixels**2 * np.sum(back**2)
    return math.sqrt(variance)


def peak_spread(before: float, middle: float, after: float, *, step: float, spread: float) -> float:
    """RMS wander of the parabola's vertex when each of three values has the same noise.

    Parameters
    ----------
    before, middle, after : float
        Noise-free focus values, the middle one at or near the peak.
    step : float
        Distance of the samples, in the unit of the result.
    spread : float
        Standard deviation of a focus value.
    """
    curvature = 2.0 * middle - before - after
    if curvature <= 0.0:
        raise ValueError(f"the three values must form a peak, got {before}, {middle}, {after}")
    return step * spread / (math.sqrt(2.0) * curvature)
