"""How a lens and a pixel carry contrast: transfer functions over frequency and defocus.

Reduced frequency s runs from 0 to 2, the cut-off of the incoherent pupil; on the sensor
s = 2 f lambda N_eff. Defocus W is the path difference at the edge of the pupil, in waves.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

CUT_OFF = 2.0
_CHUNK = 1 << 20  # values of the integrand held at once: 8 MiB
_NODE_STEP = 16


def defocus_otf(reduced_frequency: npt.ArrayLike, defocus_waves: npt.ArrayLike) -> FloatArray:
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
    """
    s, w = np.broadcast_arrays(
        np.asarray(reduced_frequency, dtype=np.float64), np.asarray(defocus_waves, dtype=np.float64)
    )
    _require_finite(reduced_frequency=s, defocus_waves=w)
    if np.any(s < 0.0):
        raise ValueError(f"reduced_frequency must be >= 0, got {s.min():.6g}")
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


def _nodes_needed(s: FloatArray, w: FloatArray) -> npt.NDArray[np.int64]:
    """Gauss-Legendre nodes for the integrand, in steps so that few rules are used."""
    limit = np.arccos(0.5 * s)
    # Fastest oscillation of the integrand over the half interval; a rule resolves 2 per node.
    swing = 0.5 * limit * np.sin(limit) * 4.0 * np.pi * np.abs(w) * s
    needed = 0.5 * swing + 3.0 * np.cbrt(swing) + 10.0
    return _NODE_STEP * np.ceil(needed / _NODE_STEP).astype(np.int64)


def _integrate(s: FloatArray, w: FloatArray, count: int) -> FloatArray:
    nodes, weights = _legendre(count)
    limit = np.arccos(0.5 * s)
    # sin(a u) / a is u to the last digit for the smallest a kept here.
    a = np.maximum(4.0 * np.pi * np.abs(w) * s, 1e-8)
    cosine = np.cos(limit[:, None] * nodes)
    wave = cosine - 0.5 * s[:, None]
    wave *= a[:, None]
    np.sin(wave, out=wave)
    wave *= cosine
    return (4.0 / np.pi) * limit / a * (wave @ weights)


@lru_cache(maxsize=64)
def _legendre(count: int) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights on 0..1."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return 0.5 * (nodes + 1.0), 0.5 * weights


def _require_finite(**values: npt.NDArray[np.floating]) -> None:
    for name, value in values.items():
        if not np.all(np.isfinite(value)):
            raise ValueError(f"{name} must be finite, got NaN or infinity")
