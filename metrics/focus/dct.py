"""Focus measures from the cosine transform of small blocks round each pixel."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from ...ground.types import Reals
from .filters import COLUMNS, ROWS, box_mean, box_moments, pad, ratio
from .measure import Measure

BLOCK = 8
# Frequencies (down, across) of the reduced set.
_REDUCED = ((0, 1), (1, 0), (2, 0), (1, 1), (0, 2))


def dct1(image: Reals, window: int) -> Reals:
    """Energy of all cosines but the constant over that of the constant (Shen and Chen 2006).

    Notes
    -----
    An orthonormal transform keeps energy, so in an 8 x 8 block the alternating part is 64 times the
    variance and the constant part 64 times the squared mean: no transform is needed.
    """
    mean, variance = box_moments(image, BLOCK)
    share = ratio(variance, mean * mean).astype(image.dtype, copy=False)
    return box_mean(share, window)


def dct2(image: Reals, window: int) -> Reals:
    """Energy of five low cosines over that of the constant (Lee and others 2009)."""
    cosines = _cosines(BLOCK)
    halves = [ndimage.correlate1d(image, c, axis=ROWS, mode="nearest") for c in cosines[:3]]
    energy = np.zeros_like(image)
    for down, right in _REDUCED:
        half = halves[down]
        energy += ndimage.correlate1d(half, cosines[right], axis=COLUMNS, mode="nearest") ** 2
    constant = ndimage.correlate1d(halves[0], cosines[0], axis=COLUMNS, mode="nearest")
    return box_mean(ratio(energy, constant * constant), window)


def _cosines(count: int) -> npt.NDArray[np.float64]:
    """Orthonormal cosine basis (type 2), one vector a row."""
    k, x = np.arange(count)[:, None], np.arange(count)[None, :]
    basis = np.sqrt(2.0 / count) * np.cos(np.pi * k * (2 * x + 1) / (2 * count))
    basis[0] /= np.sqrt(2.0)
    return basis


def dct3(image: Reals, window: int) -> Reals:
    """Correlate with a 4 x 4 chequer of 2 x 2 fields (modified DCT, Lee and others 2008).

    Notes
    -----
    Printed as a signed sum, which cancels over any texture; the absolute value is taken here.
    """
    padded = pad(image, 2)
    across = padded[..., :-3] + padded[..., 1:-2]
    across -= padded[..., 2:-1]
    across -= padded[..., 3:]
    chequer = across[..., :-3, :] + across[..., 1:-2, :]
    chequer -= across[..., 2:-1, :]
    chequer -= across[..., 3:, :]
    chequer = chequer[..., : image.shape[ROWS], : image.shape[COLUMNS]]
    return box_mean(np.abs(chequer), window)


def _block_rows(window: int) -> int:
    return window // 2 + BLOCK


_FAMILY = "cosine transform"

MEASURES = (
    Measure(
        "dct1", _FAMILY, "DCT energy ratio", "Shen and Chen 2006", dct1,
        degree=0, offset_free=False, rows=_block_rows,
    ),
    Measure(
        "dct2", _FAMILY, "DCT reduced ratio", "Lee et al. 2009", dct2,
        degree=0, offset_free=False, rows=_block_rows,
    ),
    Measure("dct3", _FAMILY, "modified DCT", "Lee et al. 2008", dct3, degree=1),
)  # fmt: skip
