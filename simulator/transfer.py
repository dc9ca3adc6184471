"""How a lens and a pixel carry contrast: transfer functions over frequency and defocus.

Reduced frequency s runs from 0 to 2, the cut-off of the incoherent pupil; on the sensor
s = 2 f lambda N_eff. Defocus W is the path difference at the edge of the pupil, in waves.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import j1

from ..ground.types import Doubles
from . import optics
from .rig import Rig

CUT_OFF = 2.0
GREEN = 1
_CHUNK = 1 << 20  # values of the integrand held at once: 8 MiB
_NODE_STEP = 8


def defocus_otf(reduced_frequency: npt.ArrayLike, defocus_waves: npt.ArrayLike) -> Doubles:
    """Exact transfer function of a clear circular pupil with defocus.

    Parameters
    ----------
    reduced_frequency : array_like
        Reduced frequency s >= 0; the function is 0 from s = 2 on.
    defocus_waves : array_like
        Edge-of-pupil defocus W in waves, either sign. Broadcasts against `reduced_frequency`.

    Returns
    -------
    array of float64
        Real transfer, 1 at s = 0, of the broadcast shape. Error below 1e-9.

    Raises
    ------
    ValueError
        A frequency is negative, or a value is not finite.

    Notes
    -----
    Hopkins, Proc. R. Soc. A 231, 91 (1955): with a = 4 pi W s the overlap of the two shifted
    pupils gives (4 / pi a) times the integral of sin(a (sqrt(1 - y^2) - s/2)) over
    0 <= y <= sqrt(1 - s^2/4). With y = sin t the integrand is smooth, and Gauss-Legendre nodes in
    proportion to its oscillations are enough.

    Examples
    --------
    In focus half the cut-off frequency keeps 39 % of its contrast, a wave out of focus hardly any:

    >>> defocus_otf(1.0, [0.0, 1.0]).round(3)
    array([ 0.391, -0.02 ])
    """
    s = _frequency(reduced_frequency=reduced_frequency)
    w = np.abs(_finite(defocus_waves=defocus_waves))
    s, w = np.broadcast_arrays(s, w)
    otf = np.zeros(s.shape)
    flat, s, w = otf.reshape(-1), s.reshape(-1), w.reshape(-1)
    inside = np.flatnonzero(s < CUT_OFF)
    nodes = _nodes_needed(s[inside], w[inside])
    for count in np.unique(nodes):
        members = inside[nodes == count]
        rows = max(1, _CHUNK // int(count))
        for start in range(0, members.size, rows):
            part = members[start : start + rows]
            flat[part] = _integrate(s[part], w[part], int(count))
    return otf


def _nodes_needed(s: Doubles, w: Doubles) -> npt.NDArray[np.int64]:
    """Gauss-Legendre nodes for the integrand, in steps so that few rules are used."""
    limit = np.arccos(0.5 * s)
    # Fastest oscillation of the integrand over the half interval; a rule resolves 2 per node.
    swing = 0.5 * limit * np.sin(limit) * 4.0 * np.pi * w * s
    needed = 0.5 * swing + 2.0 * np.cbrt(swing) + 7.0
    return _NODE_STEP * np.ceil(needed / _NODE_STEP).astype(np.int64)


def _integrate(s: Doubles, w: Doubles, count: int) -> Doubles:
    nodes, weights = _legendre(count)
    frequency, which = np.unique(s, return_inverse=True)  # cosines only once per frequency
    limit = np.arccos(0.5 * frequency)
    cosine = np.cos(limit[:, None] * nodes)
    # sin(a u) / a is u to the last digit for the smallest a kept here.
    a = np.maximum(4.0 * np.pi * w * s, 1e-8)
    wave = (cosine - 0.5 * frequency[:, None])[which]
    wave *= a[:, None]
    np.sin(wave, out=wave)
    weighted: Doubles = np.einsum("ij,ij->i", wave, (cosine * weights)[which])
    return (4.0 / np.pi) * limit[which] / a * weighted


@lru_cache(maxsize=64)
def _legendre(count: int) -> tuple[Doubles, Doubles]:
    """Nodes and weights on 0..1."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return 0.5 * (nodes + 1.0), 0.5 * weights


def diffraction_mtf(reduced_frequency: npt.ArrayLike) -> Doubles:
    """Transfer of a clear circular pupil in focus: (2/pi) (acos v - v sqrt(1 - v^2)), v = s/2.

    Parameters
    ----------
    reduced_frequency : array_like
        Reduced frequency s >= 0.

    Raises
    ------
    ValueError
        A frequency is negative or not finite.

    Examples
    --------
    >>> diffraction_mtf([0.0, 1.0, 2.0]).round(3).tolist()
    [1.0, 0.391, 0.0]
    """
    v = np.minimum(_frequency(reduced_frequency=reduced_frequency) / CUT_OFF, 1.0)
    mtf: Doubles = (2.0 / np.pi) * (np.arccos(v) - v * np.sqrt(1.0 - v * v))
    return mtf


def strehl(defocus_waves: npt.ArrayLike) -> Doubles:
    """Peak of the defocused point image over the peak in focus: (sin(pi W) / (pi W))^2.

    Mahajan, JOSA 72, 1258 (1982), for a uniform circular pupil with pure defocus.

    Parameters
    ----------
    defocus_waves : array_like
        Edge-of-pupil defocus W, waves, either sign.

    Examples
    --------
    >>> strehl([0.0, 0.25, 0.5]).round(3).tolist()
    [1.0, 0.811, 0.405]
    """
    return np.asarray(np.sinc(_finite(defocus_waves=defocus_waves)) ** 2)


def disc_otf(frequency_cy_per_px: npt.ArrayLike, diameter_px: npt.ArrayLike) -> Doubles:
    """Transfer of a uniform blur disc: 2 J1(a) / a, a = pi f b. No diffraction.

    Parameters
    ----------
    frequency_cy_per_px : array_like
        Frequency f >= 0. Any unit does whose product with the diameter is a number of cycles.
    diameter_px : array_like
        Diameter of the disc b; broadcasts against the frequency.

    Raises
    ------
    ValueError
        A frequency is negative, or a value is not finite.

    Examples
    --------
    >>> disc_otf([0.0, 0.1, 0.25], 4.0).round(3).tolist()
    [1.0, 0.815, 0.181]
    """
    f = _frequency(frequency_cy_per_px=frequency_cy_per_px)
    a = np.maximum(np.pi * f * np.abs(_finite(diameter_px=diameter_px)), 1e-8)
    return np.asarray(2.0 * j1(a) / a)


def pixel_mtf(
    frequency_x_cy_per_px: npt.ArrayLike, frequency_y_cy_per_px: npt.ArrayLike = 0.0
) -> Doubles:
    """Transfer of a square pixel that is sensitive all over: sinc(fx) sinc(fy).

    Parameters
    ----------
    frequency_x_cy_per_px, frequency_y_cy_per_px : array_like
        Frequencies along rows and down columns, either sign; they broadcast.
    """
    fx = _finite(frequency_x_cy_per_px=frequency_x_cy_per_px)
    fy = _finite(frequency_y_cy_per_px=frequency_y_cy_per_px)
    return np.asarray(np.sinc(fx) * np.sinc(fy))


def reduced_frequency(
    rig: Rig, frequency_cy_per_px: npt.ArrayLike, *, wavelength_um: float
) -> Doubles:
    """Turn a frequency on the sensor into reduced frequency: s = 2 f lambda N_eff.

    Parameters
    ----------
    rig : Rig
    frequency_cy_per_px : array_like
        Frequency at the sensor's full pitch, cycles per pixel, >= 0.
    wavelength_um : float
        Wavelength, um, > 0.
    """
    if not wavelength_um > 0.0:
        raise ValueError(f"wavelength_um must be > 0, got {wavelength_um!r}")
    f = _frequency(frequency_cy_per_px=frequency_cy_per_px)
    return f * (2.0 * wavelength_um * optics.rig_f_number(rig) / rig.sensor.pitch_um)


def polychromatic_otf(
    rig: Rig,
    frequency_cy_per_px: npt.ArrayLike,
    *,
    defocus_mm: npt.ArrayLike = 0.0,
    channel: int = GREEN,
) -> Doubles:
    """Transfer of the lens in one colour channel: the mean over the channel's wavelengths.

    The pixel is not in it; multiply by `pixel_mtf`.

    Parameters
    ----------
    rig : Rig
    frequency_cy_per_px : array_like
        Frequency at the sensor's full pitch, cycles per pixel, >= 0.
    defocus_mm : array_like
        Wavefront defocus at the pupil edge, mm, as `simulator.optics.defocus_mm` gives it;
        broadcasts against the frequency.
    channel : int
        0 red, 1 green, 2 blue.

    Raises
    ------
    ValueError
        An unknown channel, a negative frequency, or a value that is not finite.
    """
    if channel not in range(len(rig.wavelengths_um)):
        raise ValueError(f"channel must be 0 (red), 1 (green) or 2 (blue), got {channel!r}")
    path_um = 1e3 * _finite(defocus_mm=defocus_mm)
    wavelengths = rig.wavelengths_um[channel]
    total = sum(
        defocus_otf(
            reduced_frequency(rig, frequency_cy_per_px, wavelength_um=wavelength),
            path_um / wavelength,
        )
        for wavelength in wavelengths
    )
    return np.asarray(total / len(wavelengths))


def otf_depth_of_field_mm(
    rig: Rig, *, frequency_cy_per_px: float, contrast_share: float, channel: int = GREEN
) -> optics.DepthOfField:
    """Depth within which a pattern keeps a share of the contrast it has in focus.

    Diffraction and defocus act together here. The pixel weakens the pattern equally at every
    depth, so it does not change the share.

    Parameters
    ----------
    rig : Rig
    frequency_cy_per_px : float
        Frequency of the pattern on the sensor, > 0 and below the lens' cut-off.
    contrast_share : float
        Share of the in-focus contrast that must remain, between 0 and 1, both excluded.
    channel : int
        0 red, 1 green, 2 blue.

    Raises
    ------
    ValueError
        A value out of its range.
    """
    if not 0.0 < contrast_share < 1.0:
        raise ValueError(f"contrast_share must be > 0 and < 1, got {contrast_share!r}")
    in_focus = float(polychromatic_otf(rig, frequency_cy_per_px, channel=channel))
    if not (frequency_cy_per_px > 0.0 and in_focus > 0.0):
        shortest = min(rig.wavelengths_um[channel])
        limit = CUT_OFF / float(reduced_frequency(rig, 1.0, wavelength_um=shortest))
        raise ValueError(
            f"frequency_cy_per_px must be > 0 and < {limit:.6g} (the cut-off of the lens), "
            f"got {frequency_cy_per_px!r}"
        )

    def spare(path_mm: npt.ArrayLike) -> Doubles:
        otf = polychromatic_otf(rig, frequency_cy_per_px, defocus_mm=path_mm, channel=channel)
        return otf / in_focus - contrast_share

    path_mm = _first_crossing(spare, step=1e-3 * min(rig.wavelengths_um[channel]) / 32.0)
    return optics.reach(rig, 2.0 * path_mm / optics.rig_aperture(rig) ** 2)


def _first_crossing(spare: Callable[[npt.ArrayLike], Doubles], *, step: float) -> float:
    """Smallest x > 0 with spare(x) = 0, searched outward from 0 in fine steps, ever farther."""
    start = 0.0
    while True:
        x = start + step * np.arange(129)
        below = np.flatnonzero(spare(x) < 0.0)
        if below.size:
            first = int(below[0])
            return float(brentq(lambda at: float(spare(at)), x[first - 1], x[first], xtol=1e-15))
        start, step = float(x[-1]), 2.0 * step


def _frequency(**named: npt.ArrayLike) -> Doubles:
    values = _finite(**named)
    if np.any(values < 0.0):
        raise ValueError(f"{next(iter(named))} must be >= 0, got {values.min():.6g}")
    return values


def _finite(**named: npt.ArrayLike) -> Doubles:
    """Return the one named argument as a float64 array, all of it finite."""
    ((name, given),) = named.items()
    values = np.asarray(given, dtype=np.float64)
    if not np.all(np.isfinite(values)):
        raise ValueError(f"{name} must be finite, got NaN or infinity")
    return values
