"""Focus measures from second differences: the Laplacian family."""

from __future__ import annotations

import numpy as np

from ...ground.types import Reals
from .filters import box_mean, box_variance, pad, shifted
from .measure import Measure

# Weights of the centre, the four edge neighbours and the four corner neighbours.
MASKS = {
    "cross": (-4.0, 1.0, 0.0),
    "alpha-0.2": (-10.0 / 3.0, 2.0 / 3.0, 1.0 / 6.0),
    "full": (20.0, -4.0, -1.0),
}


def laplacian(image: Reals, *, mask: str = "cross") -> Reals:
    """Discrete Laplacian.

    Parameters
    ----------
    image : array (..., rows, columns)
    mask : {"cross", "alpha-0.2", "full"}
        The four-neighbour mask; the nine-point mask with a corner share of 0.2; or
        [-1 -4 -1; -4 20 -4; -1 -4 -1], which has the opposite sign.

    Raises
    ------
    ValueError
        `mask` is none of these.
    """
    if mask not in MASKS:
        raise ValueError(f"mask must be one of {', '.join(MASKS)}, got {mask!r}")
    centre, edge, corner = MASKS[mask]
    padded = pad(image, 1)
    total = centre * image
    total += edge * _neighbours(padded, ((0, 1), (0, -1), (1, 0), (-1, 0)))
    if corner:
        total += corner * _neighbours(padded, ((1, 1), (1, -1), (-1, 1), (-1, -1)))
    return total


def _neighbours(padded: Reals, places: tuple[tuple[int, int], ...]) -> Reals:
    total = shifted(padded, 1, *places[0]) + shifted(padded, 1, *places[1])
    for place in places[2:]:
        total += shifted(padded, 1, *place)
    return total


def modified_laplacian(image: Reals, *, step: int = 1, threshold: float = 0.0) -> Reals:
    """Return the modified Laplacian: second differences that cannot cancel.

    Parameters
    ----------
    image : array (..., rows, columns)
    step : int
        Distance of the neighbours in pixels, to suit the size of the texture.
    threshold : float
        Values below it count as 0, in the image's own unit.

    References
    ----------
    Nayar and Nakagawa, IEEE Trans. Pattern Analysis and Machine Intelligence 16, 824 (1994).
    """
    if step < 1:
        raise ValueError(f"step must be a whole number of pixels >= 1, got {step}")
    padded = pad(image, step)
    twice = 2.0 * image
    total = _second_difference(padded, twice, step, 0, step)
    total += _second_difference(padded, twice, step, step, 0)
    if threshold > 0.0:
        total[total < threshold] = 0.0
    return total


def _second_difference(padded: Reals, twice: Reals, reach: int, down: int, right: int) -> Reals:
    """Absolute value of 2 I(here) - I(before) - I(after)."""
    difference = twice - shifted(padded, reach, down, right)
    difference -= shifted(padded, reach, -down, -right)
    return np.abs(difference, out=difference)


def lap1(image: Reals, window: int, *, mask: str = "cross") -> Reals:
    """Energy of Laplacian (Subbarao, Choi and Nikzad 1993)."""
    values = laplacian(image, mask=mask)
    return box_mean(np.square(values, out=values), window)


def lap2(image: Reals, window: int, *, step: int = 1, threshold: float = 0.0) -> Reals:
    """Sum-modified Laplacian (Nayar and Nakagawa 1994), as the mean over the window."""
    return box_mean(modified_laplacian(image, step=step, threshold=threshold), window)


def lap3(image: Reals, window: int) -> Reals:
    """Diagonal Laplacian (Thelen and others 2009): two more directions, 1/sqrt(2) each."""
    padded, twice = pad(image, 1), 2.0 * image
    values = _second_difference(padded, twice, 1, 1, 1)
    values += _second_difference(padded, twice, 1, 1, -1)
    values *= np.sqrt(0.5)
    values += _second_difference(padded, twice, 1, 0, 1)
    values += _second_difference(padded, twice, 1, 1, 0)
    return box_mean(values, window)


def lap4(image: Reals, window: int, *, mask: str = "cross") -> Reals:
    """Variance of Laplacian (Pech-Pacheco and others 2000)."""
    return box_variance(laplacian(image, mask=mask), window)


def lap5(frames: Reals, window: int) -> Reals:
    """Average the modified Laplacian over three frames (An and others 2008).

    Parameters
    ----------
    frames : array (n + 2, rows, columns)
        Frames with one more before and behind.
    window : int

    Returns
    -------
    array (n, rows, columns)
        Mean over the window and the frame's two neighbours.
    """
    values = modified_laplacian(frames)
    total = values[:-2] + values[1:-1]
    total += values[2:]
    total /= 3.0
    return box_mean(total, window)


def _step_rows(window: int, *, step: int = 1, **_: float) -> int:
    return window // 2 + step


_FAMILY = "laplacian"

MEASURES = (
    Measure("lap1", _FAMILY, "energy of Laplacian", "Subbarao et al. 1993", lap1, degree=2),
    Measure(
        "lap2", _FAMILY, "modified Laplacian", "Nayar and Nakagawa 1994", lap2,
        degree=1, rows=_step_rows,
    ),
    Measure("lap3", _FAMILY, "diagonal Laplacian", "Thelen et al. 2009", lap3, degree=1),
    Measure("lap4", _FAMILY, "variance of Laplacian", "Pech-Pacheco et al. 2000", lap4, degree=2),
    Measure("lap5", _FAMILY, "3-D Laplacian", "An et al. 2008", lap5, degree=1, reach=1),
)  # fmt: skip
