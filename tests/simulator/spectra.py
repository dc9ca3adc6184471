"""Spectra that drawn motions are held against, in closed form."""

import numpy as np
import numpy.typing as npt

from stacktruth.ground.types import Doubles
from stacktruth.simulator.handling.sway import stem_equation


def sway_psd(frequency_hz: npt.ArrayLike, *, rms: float, corner_hz: float) -> Doubles:
    """Return the one-sided power spectral density of a sway's position, unit^2 / Hz."""
    ratio = np.asarray(frequency_hz, dtype=float) / corner_hz
    return 4 * rms**2 / (np.pi * corner_hz) / (1 + ratio**2) ** 2


def tremor_psd(
    frequency_hz: npt.ArrayLike, *, rms: float, centre_hz: float, half_width_hz: float
) -> Doubles:
    """Return the one-sided power spectral density of a steady resonance, unit^2 / Hz."""
    frequency2 = np.asarray(frequency_hz, dtype=float) ** 2
    natural2 = centre_hz**2 + half_width_hz**2
    shape = (natural2 - frequency2) ** 2 + 4 * half_width_hz**2 * frequency2
    return 4 / np.pi * half_width_hz * natural2 * rms**2 / shape


def stem_psd(
    frequency_hz: npt.ArrayLike, *, rms: float, natural_hz: float, damping: float, push_hz: float
) -> Doubles:
    """Return the one-sided power spectral density of a stem in steady wind, unit^2 / Hz."""
    ratio = np.asarray(frequency_hz, dtype=float) / natural_hz
    stem = (1 - ratio**2) ** 2 + (2 * damping * ratio) ** 2
    push = 1 + (np.asarray(frequency_hz, dtype=float) / push_hz) ** 2
    _, covariance = stem_equation(natural_hz, damping, push_hz)
    # The wind itself has unit rms: 2 / (pi push_hz) at zero frequency.
    return rms**2 / covariance[0, 0] * 2 / (np.pi * push_hz) / push / stem
