"""A curvelet-type frame without decimation: smooth wedges of the spectrum, scale by direction.

The scale windows are Meyer's on nested squares and the direction windows split the half circle
evenly, after the second-generation curvelets of Candes, Demanet, Donoho and Ying (Multiscale Model.
Simul. 5, 861, 2006). The squares of the windows sum to that of the outer low-pass less that of the
inner one. What lies beyond the outer low-pass has no clear direction on a pixel grid and is left to
an isotropic band, which the focus measure does not need.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft

from ...ground.types import Reals
from .filters import COLUMNS, ROWS

_MARGIN = 24  # pixels of mirror image round the frame: more than the coarser wedges reach


def directional_bands(image: Reals, *, orientations: int = 8, levels: int = 2) -> list[list[Reals]]:
    """Split each frame into scales and directions.

    Parameters
    ----------
    image : array (..., rows, columns)
    orientations : int
        Directions over the half circle.
    levels : int
        Scales, an octave apart, the finest falling to nothing at the sampling limit.

    Returns
    -------
    list over scales, finest first, of lists over directions of arrays of the shape of `image`
        The bands: real, of mean 0 on a flat image.
    """
    rows, columns = image.shape[ROWS], image.shape[COLUMNS]
    size = tuple(fft.next_fast_len(n + 2 * _MARGIN, real=True) for n in (rows, columns))
    far = [(_MARGIN, size[0] - rows - _MARGIN), (_MARGIN, size[1] - columns - _MARGIN)]
    level = image.mean(axis=(ROWS, COLUMNS), keepdims=True)
    padded = np.pad(image - level, [(0, 0)] * (image.ndim - 2) + far, mode="symmetric")
    spectrum = fft.rfft2(padded)
    bands = []
    for windows in spectral_windows(size, orientations, levels):
        whole = [fft.irfft2(spectrum * window, size) for window in windows]
        bands.append([b[..., _MARGIN : _MARGIN + rows, _MARGIN : _MARGIN + columns] for b in whole])
    return bands


@lru_cache(maxsize=4)
def spectral_windows(
    size: tuple[int, ...], orientations: int, levels: int
) -> tuple[tuple[npt.NDArray[np.float32], ...], ...]:
    """Real windows over the half spectrum of `rfft2`: scales, finest first, of directions."""
    down = fft.fftfreq(size[0])[:, None]
    right = fft.rfftfreq(size[1])[None, :]
    wedges = _wedges(np.arctan2(down, right), orientations)
    scales = []
    outer = _low_pass(down, right, 0.5)
    for level in range(1, levels + 1):
        inner = _low_pass(down, right, 0.5 / 2**level)
        ring = np.sqrt(np.maximum(outer**2 - inner**2, 0.0))
        scales.append(tuple((ring * wedge).astype(np.float32) for wedge in wedges))
        outer = inner
    return tuple(scales)


def _low_pass(
    down: npt.NDArray[np.float64], right: npt.NDArray[np.float64], edge: float
) -> npt.NDArray[np.float64]:
    """Meyer's low-pass on a square: 1 up to half the edge, 0 from the edge on."""
    rows, columns = (_rise(2.0 * np.abs(axis) / edge - 1.0) for axis in (down, right))
    return np.cos(0.5 * np.pi * rows) * np.cos(0.5 * np.pi * columns)


def _wedges(angle: npt.NDArray[np.float64], count: int) -> list[npt.NDArray[np.float64]]:
    """Direction windows: each falls from 1 to 0 over one spacing; their squares sum to 1."""
    spacing = np.pi / count
    wedges = []
    for number in range(count):
        away = (angle - number * spacing + 0.5 * np.pi) % np.pi - 0.5 * np.pi
        wedges.append(np.cos(0.5 * np.pi * _rise(np.abs(away) / spacing)))
    return wedges


def _rise(x: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Meyer's smooth step from 0 to 1 with rise(x) + rise(1 - x) = 1."""
    x = np.clip(x, 0.0, 1.0)
    return x**4 * (35.0 - 84.0 * x + 70.0 * x**2 - 20.0 * x**3)
