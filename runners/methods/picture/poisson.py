"""A picture from its gradient: a screened Poisson equation, solved by cosine transforms."""

from __future__ import annotations

import numpy as np
from scipy import fft

from ....ground.types import Floats


def forward_gradient(image: Floats) -> tuple[Floats, Floats]:
    """Return the differences to the next row and to the next column, 0 at the far edges.

    Parameters
    ----------
    image : array (rows, cols) or (rows, cols, channels) of float32

    Returns
    -------
    tuple of array
        Down and across, each of the shape of `image`.
    """
    down, across = np.zeros_like(image), np.zeros_like(image)
    np.subtract(image[1:], image[:-1], out=down[:-1])
    np.subtract(image[:, 1:], image[:, :-1], out=across[:, :-1])
    return down, across


def divergence(down: Floats, across: Floats) -> Floats:
    """Return minus the transpose of `forward_gradient`; the last row and column do not count."""
    out = np.zeros_like(down)
    out[:-1] += down[:-1]
    out[1:] -= down[:-1]
    out[:, :-1] += across[:, :-1]
    out[:, 1:] -= across[:, :-1]
    return out


def from_gradient(down: Floats, across: Floats, anchor: Floats, *, pull: float = 0.0) -> Floats:
    """Find the picture whose gradient is nearest to a given one, held to another picture.

    Lowers the sum over pixels of |gradient - given|^2 + `pull` (value - anchor)^2, with no flow
    over the borders (Neumann). What the anchor lacks is solved for instead of the picture itself,
    so that rounding is a share of the lack.

    Parameters
    ----------
    down, across : array (rows, cols) of float32
        The wanted `forward_gradient`.
    anchor : array (rows, cols) of float32
    pull : float
        Per pixel squared; detail wider than about 1 / sqrt(`pull`) px comes from the anchor. At 0
        only its mean does.

    References
    ----------
    B. L. Buzbee, G. H. Golub and C. W. Nielson, "On direct methods for solving Poisson's
    equations", SIAM J. Numerical Analysis 7, 627 (1970): the Laplacian of a grid with Neumann
    borders is diagonal in the cosine transform of type II, with values 2 - 2 cos(pi k / n).
    """
    has_down, has_across = forward_gradient(anchor)
    lack = -divergence(down - has_down, across - has_across)
    rows, columns = (2 - 2 * np.cos(np.pi * np.arange(n) / n) for n in anchor.shape)
    scale = (rows[:, None] + columns + pull).astype(np.float32)
    spectrum = fft.dctn(lack, type=2, overwrite_x=True)
    if pull == 0:
        scale[0, 0], spectrum[0, 0] = 1, 0
    spectrum /= scale
    return np.asarray(anchor + fft.idctn(spectrum, type=2, overwrite_x=True), dtype=np.float32)
