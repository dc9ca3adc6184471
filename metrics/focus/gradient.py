"""Focus measures from first differences: the gradient family."""

from __future__ import annotations

import numpy as np

from ...ground.types import Reals
from .filters import COLUMNS, ROWS, box_mean, box_variance, gaussian_derivative, sobel, sobel_smooth
from .measure import Measure, gaussian_rows


def first_differences(image: Reals) -> tuple[Reals, Reals]:
    """Return I(x+1, y) - I and I(x, y+1) - I; 0 in the last column and row."""
    right, down = np.empty_like(image), np.empty_like(image)
    np.subtract(image[..., 1:], image[..., :-1], out=right[..., :-1])
    np.subtract(image[..., 1:, :], image[..., :-1, :], out=down[..., :-1, :])
    right[..., -1] = 0.0
    down[..., -1, :] = 0.0
    return right, down


def gradient_energy(image: Reals) -> Reals:
    """Return the squared length of the first differences."""
    return _squared_length(*first_differences(image))


def _squared_length(right: Reals, down: Reals) -> Reals:
    """right^2 + down^2, in the memory of `right`."""
    right *= right
    down *= down
    right += down
    return right


def gra1(image: Reals, window: int, *, sigma: float | None = None) -> Reals:
    """Energy of Gaussian derivatives (Geusebroek and others 2000).

    Parameters
    ----------
    image : array (n, rows, columns)
    window : int
    sigma : float, optional
        Of the Gaussian, in pixels; a fifth of the window if not given.
    """
    width = window / 5.0 if sigma is None else sigma
    right = gaussian_derivative(image, width, COLUMNS)
    down = gaussian_derivative(image, width, ROWS)
    return box_mean(_squared_length(right, down), window)


def gra2(image: Reals, window: int) -> Reals:
    """Energy of the image gradient (Subbarao, Choi and Nikzad 1993)."""
    return box_mean(gradient_energy(image), window)


def gra3(image: Reals, window: int, *, threshold: float = 0.0) -> Reals:
    """Thresholded absolute gradient along rows (Santos and others 1997)."""
    right = first_differences(image)[0]
    np.abs(right, out=right)
    if threshold > 0.0:
        right[right < threshold] = 0.0
    return box_mean(right, window)


def gra4(image: Reals, window: int) -> Reals:
    """Squared gradient along rows (Eskicioglu and Fisher 1995)."""
    right = first_differences(image)[0]
    right *= right
    return box_mean(right, window)


def gra5(frames: Reals, window: int, *, threshold: float = 0.0) -> Reals:
    """Gradient of the volume of frames (Ahmad and Choi 2007).

    Parameters
    ----------
    frames : array (n + 2, rows, columns)
        Frames with one more before and behind.
    window : int
    threshold : float
        Gradients shorter than this count as 0.

    Notes
    -----
    The published 3 x 3 x 3 masks are not printed; these are the Sobel weights in three
    dimensions, [1 2 1] across and [-1 0 1] along.
    """
    mixed = frames[:-2] + 2.0 * frames[1:-1] + frames[2:]
    right, down = sobel(mixed)
    along = sobel_smooth(frames[2:] - frames[:-2])
    length = _squared_length(right, down)
    length += along * along
    np.sqrt(length, out=length)
    if threshold > 0.0:
        length[length < threshold] = 0.0
    return box_mean(length, window)


def gra6(image: Reals, window: int) -> Reals:
    """Tenengrad: energy of the Sobel gradient (Krotkov and Martin 1986)."""
    return box_mean(_squared_length(*sobel(image)), window)


def gra7(image: Reals, window: int) -> Reals:
    """Tenengrad variance: variance of the Sobel gradient's length (Pech-Pacheco et al. 2000)."""
    length = _squared_length(*sobel(image))
    return box_variance(np.sqrt(length, out=length), window)


_FAMILY = "gradient"

MEASURES = (
    Measure(
        "gra1", _FAMILY, "Gaussian derivative", "Geusebroek et al. 2000", gra1,
        degree=2, rows=gaussian_rows,
    ),
    Measure("gra2", _FAMILY, "gradient energy", "Subbarao et al. 1993", gra2, degree=2),
    Measure("gra3", _FAMILY, "absolute gradient", "Santos et al. 1997", gra3, degree=1),
    Measure("gra4", _FAMILY, "squared gradient", "Eskicioglu and Fisher 1995", gra4, degree=2),
    Measure("gra5", _FAMILY, "3-D gradient", "Ahmad and Choi 2007", gra5, degree=1, reach=1),
    Measure("gra6", _FAMILY, "Tenengrad", "Krotkov and Martin 1986", gra6, degree=2),
    Measure("gra7", _FAMILY, "Tenengrad variance", "Pech-Pacheco et al. 2000", gra7, degree=2),
)  # fmt: skip
