"""Fusion metric from phase congruency: where features are, whatever their contrast."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from ...ground.types import Floats
from .sources import Sources, fusion_metric

_SCALES = 4
_ORIENTATIONS = 6
_SHORTEST_PX = 3.0
_BETWEEN_SCALES = 2.1
_BANDWIDTH = 0.55
_NOISE_SIGMAS = 2.0
_SPREAD_CUT, _SPREAD_GAIN = 0.5, 10.0
_TINY = 1e-4
_FEATURE = 0.1
_LIKENESS_FLOOR = 1e-4


@dataclass(frozen=True, slots=True)
class Features:
    """Phase congruency of a plane, and the moments of its change with orientation.

    Parameters
    ----------
    congruency : array (H, W)
        0..1.
    largest, smallest : array (H, W)
        Moments: the largest marks edges, the smallest corners.
    """

    congruency: Floats
    largest: Floats
    smallest: Floats

    def maps(self) -> tuple[Floats, Floats, Floats]:
        """Return the three maps."""
        return self.congruency, self.largest, self.smallest


def phase_features(plane: Floats) -> Features:
    """Phase congruency from log-Gabor filters, without what noise alone would give.

    Parameters
    ----------
    plane : array (H, W) of float32
        Grey, 0..1.

    Notes
    -----
    Kovesi, Videre 1 (3), 1 (1999): four scales from 3 pixels on, a factor of 2.1 apart, six
    orientations; noise from the median response of the finest scale.
    """
    spectrum = fft.fft2(plane)
    energies = np.zeros_like(plane)
    amplitudes = np.zeros_like(plane)
    moments = [np.zeros_like(plane) for _ in range(3)]
    for number, angle in enumerate(np.arange(_ORIENTATIONS) * math.pi / _ORIENTATIONS):
        energy, amplitude = _oriented(spectrum, number)
        energies += energy
        amplitudes += amplitude
        share = energy / (amplitude + _TINY)
        across, down = share * math.cos(angle), share * math.sin(angle)
        moments[0] += across * across * (2.0 / _ORIENTATIONS)
        moments[1] += down * down * (2.0 / _ORIENTATIONS)
        moments[2] += across * down * (4.0 / _ORIENTATIONS)
    spread = np.hypot(moments[2], moments[0] - moments[1])
    total = moments[0] + moments[1]
    return Features(
        energies / (amplitudes + _TINY),
        0.5 * (total + spread),
        np.maximum(0.5 * (total - spread), 0.0),
    )


def _oriented(spectrum: npt.NDArray[np.complexfloating], number: int) -> tuple[Floats, Floats]:
    """Energy above noise, weighted by the spread over scales, and summed amplitude."""
    responses = [fft.ifft2(spectrum * window) for window in _log_gabor(spectrum.shape, number)]
    strengths = [np.abs(response) for response in responses]
    amplitude, largest = sum(strengths[1:], strengths[0]), np.maximum.reduce(strengths)
    whole = sum(responses[1:], responses[0])
    direction = whole / (np.abs(whole) + np.float32(_TINY * 1e-2))
    energy = np.zeros_like(amplitude)
    for response in responses:
        along = response * np.conj(direction)
        energy += along.real - np.abs(along.imag)
    finest = float(np.median(strengths[0])) / math.sqrt(math.log(4.0))
    energy = np.maximum(energy - np.float32(finest * _noise_share()), 0.0)
    width = (amplitude / (largest + np.float32(_TINY)) - 1.0) / (_SCALES - 1)
    energy /= 1.0 + np.exp(_SPREAD_GAIN * (_SPREAD_CUT - width))
    return energy, amplitude


def _noise_share() -> float:
    """Threshold over all scales for a Rayleigh parameter of 1 at the finest."""
    ratio = 1.0 / _BETWEEN_SCALES
    scales = (1.0 - ratio**_SCALES) / (1.0 - ratio)
    mean, spread = math.sqrt(math.pi / 2.0), math.sqrt((4.0 - math.pi) / 2.0)
    return scales * (mean + _NOISE_SIGMAS * spread)


@lru_cache(maxsize=2 * _ORIENTATIONS)
def _log_gabor(shape: tuple[int, ...], number: int) -> tuple[Floats, ...]:
    """One-sided filters of an orientation, fine to coarse."""
    down, right = fft.fftfreq(shape[0])[:, None], fft.fftfreq(shape[1])[None, :]
    radius = np.hypot(down, right)
    radius[0, 0] = 1.0
    low_pass = 1.0 / (1.0 + (radius / 0.45) ** 30)
    angle = number * math.pi / _ORIENTATIONS
    away = np.abs(np.angle(np.exp(1j * (np.arctan2(down, right) - angle))))
    wedge = 0.5 * (1.0 + np.cos(np.minimum(0.5 * _ORIENTATIONS * away, math.pi)))
    filters = []
    for scale in range(_SCALES):
        centre = 1.0 / (_SHORTEST_PX * _BETWEEN_SCALES**scale)
        band = np.exp(-0.5 * (np.log(radius / centre) / math.log(_BANDWIDTH)) ** 2) * low_pass
        band[0, 0] = 0.0
        filters.append((band * wedge).astype(np.float32))
    return tuple(filters)


@fusion_metric(
    "features kept",
    "Zhao, Laganiere and Liu, Int. J. Innovative Computing 3, 1433 (2007)",
)
def phase_congruency(sources: Sources) -> float:
    """Features kept: local correlation of phase congruency and its moments with the frames'.

    Returns
    -------
    float
        -1..1; 1 where the result has every feature of its best frame. Images without features
        have nothing to lose and score 1.

    Notes
    -----
    Zhao, Laganiere and Liu, Int. J. Innovative Computing, Information and Control 3, 1433 (2007):
    the product over three maps of the mean, where any image has a congruency above 0.1, of the
    largest correlation with a frame or with the frames' pixel-by-pixel maximum.
    """
    if not sources.mask.any():
        return float("nan")
    whole = phase_features(sources.fused).maps()
    best = [np.full_like(sources.fused, -1.0) for _ in whole]
    highest = [np.zeros_like(sources.fused) for _ in whole]
    for frame in _with_last(sources, highest):
        for result, target, kept in zip(frame, whole, best, strict=True):
            np.maximum(kept, _correlation(result, target), out=kept)
    there = sources.mask & (np.maximum(highest[0], whole[0]) > _FEATURE)
    if not there.any():
        return 1.0
    return math.prod(float(kept[there].mean(dtype=np.float64)) for kept in best)


def _with_last(sources: Sources, highest: list[Floats]) -> Iterator[tuple[Floats, ...]]:
    """Yield the maps of each frame, and at last their pixel-by-pixel maximum in `highest`."""
    for frame in sources.frames():
        maps = phase_features(frame).maps()
        for top, values in zip(highest, maps, strict=True):
            np.maximum(top, values, out=top)
        yield maps
    yield tuple(highest)


def _correlation(first: Floats, second: Floats) -> Floats:
    """Local correlation under a Gaussian of 1.5 pixels, 11 x 11."""

    def smooth(values: Floats) -> Floats:
        return ndimage.gaussian_filter(values, 1.5, mode="nearest", radius=5)

    mean_first, mean_second = smooth(first), smooth(second)
    covariance = smooth(first * second) - mean_first * mean_second
    power = (smooth(first * first) - mean_first**2) * (smooth(second * second) - mean_second**2)
    spread = np.sqrt(np.maximum(power, 0.0))
    ratio = (covariance + _LIKENESS_FLOOR) / (spread + _LIKENESS_FLOOR)
    return np.clip(ratio, -1.0, 1.0).astype(np.float32, copy=False)
