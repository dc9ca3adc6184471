"""The transfer of a pupil with spherical aberration, and what a lens does across its field."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ...ground.types import Doubles
from ..transfer import CUT_OFF

#: Values of one rule: few enough that its phases stay in the cache.
_AT_ONCE = 1024


def aberrated_otf(
    reduced_frequency: npt.ArrayLike, defocus_waves: npt.ArrayLike, *, spherical_waves: float
) -> Doubles:
    """Exact transfer function of a clear circular pupil with defocus and spherical aberration.

    The wavefront over the pupil radius rho is (w - s) rho^2 + s rho^4: primary spherical aberration
    s with its best focus, least rms, at w = 0. Then the blur before and behind focus differs.

    Parameters
    ----------
    reduced_frequency : array_like
        0 to 2 = cut-off; 0 beyond.
    defocus_waves : array_like
        w at the pupil's edge, signed, + behind the plane of focus; broadcasts.
    spherical_waves : float
        s at the pupil's edge.

    Returns
    -------
    array of float64
        Real: the wavefront is even over the pupil.

    Notes
    -----
    The overlap of the pupil with itself, shifted by +-f/2, integrated by Gauss-Legendre rules:
    (4/pi) int int cos(4 pi f x (a + 2 s (x^2 + y^2 + f^2/4))) dx dy over one quarter, a = w - s.
    """
    f, w = np.broadcast_arrays(
        np.asarray(reduced_frequency, np.float64), np.asarray(defocus_waves, np.float64)
    )
    if not (np.isfinite(f).all() and np.isfinite(w).all() and np.isfinite(spherical_waves)):
        raise ValueError("frequency, defocus and spherical_waves must be finite, got NaN or inf")
    if (f < 0).any():
        raise ValueError(f"reduced_frequency must be >= 0, got {f.min()}")
    out = np.zeros(f.shape)
    inside = f < CUT_OFF
    flat_f, flat_w = f[inside], w[inside]
    # The phase reaches 2 pi swing over the half-width of the overlap, 1 - f/2.
    swing = 2 * flat_f * (1 - flat_f / 2) * (np.abs(flat_w) + 4 * abs(spherical_waves))
    values = np.empty(len(flat_f))
    for start in range(0, len(values), _AT_ONCE):
        part = slice(start, start + _AT_ONCE)
        # A rule needs about half a node a radian.
        nodes = int(14 + 3.5 * swing[part].max())
        values[part] = _quarter(flat_f[part], flat_w[part], spherical_waves, nodes)
    out[inside] = values
    return out


def _quarter(f: Doubles, w: Doubles, s: float, count: int) -> Doubles:
    node, weight = np.polynomial.legendre.leggauss(count)
    node, weight = 0.5 * (node + 1), 0.5 * weight
    widest = np.arccos(f / 2)
    total = np.zeros(len(f))
    a = w - s
    for t, t_weight in zip(node, weight, strict=True):
        # y = sin(angle) takes the square-root ends out of the outer integral.
        angle = widest * t
        y, y_weight = np.sin(angle), np.cos(angle) * widest * t_weight
        half = np.maximum(np.cos(angle) - f / 2, 0)
        x = half[:, None] * node
        rest = a + 2 * s * (y * y + f * f / 4)
        phase = (4 * np.pi * f)[:, None] * x * (rest[:, None] + 2 * s * x * x)
        total += y_weight * half * (np.cos(phase) @ weight)
    return 4 / np.pi * total


def falloff(
    shape: tuple[int, int],
    *,
    corner_stops: float,
    corner_px: float,
    part: tuple[slice, slice] = (slice(None), slice(None)),
) -> npt.NDArray:
    """Return the light over a picture that loses ``corner_stops`` at a distance from its middle.

    Parameters
    ----------
    shape : (rows, cols)
    corner_stops : float
        Loss at ``corner_px`` from the middle, stops; it grows with the square of the distance.
    corner_px : float
    part : (rows, cols)
        Of the picture that is asked for.

    Returns
    -------
    array (rows, cols, 1) of float32
        Of that part.
    """
    rows, cols = shape
    down = (np.arange(rows, dtype=np.float32)[:, None] + 0.5 - rows / 2) / corner_px
    across = (np.arange(cols, dtype=np.float32)[None, :] + 0.5 - cols / 2) / corner_px
    down, across = down[part[0]], across[:, part[1]]
    return np.exp2(-np.float32(corner_stops) * (down * down + across * across))[..., None]
