"""Focus measures from grey-level statistics of the window."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy import ndimage
from skimage.filters import rank

from ...ground.types import Reals
from .filters import COLUMNS, ROWS, box_mean, box_moments, box_variance, pad, ratio
from .measure import Measure, two_windows

_PATCH_VALUES = 1 << 21  # values of window copies held at once


def sta1(image: Reals, window: int, *, order: int = 2) -> Reals:
    """Ratio of high to low Chebyshev moments (Yap and Raveendran 2004).

    Parameters
    ----------
    image : array (n, rows, columns)
    window : int
    order : int
        Moments with p + q up to this are the low ones.

    Notes
    -----
    With orthonormal polynomials the energy of all moments is that of the window, so the high
    ones are what the low ones leave. Taking the level of the frame off first touches no moment but
    the lowest, and saves the digits of faint textures.
    """
    level = image.mean(axis=(ROWS, COLUMNS), keepdims=True, dtype=np.float64)
    centred = image - level
    pixels = window * window
    high = pixels * box_mean(centred * centred, window)
    low_moments = _chebyshev(window, order)
    for p, down in enumerate(low_moments):
        half = ndimage.correlate1d(centred, down, axis=ROWS, mode="nearest")
        for right in low_moments[: order + 1 - p]:
            high -= ndimage.correlate1d(half, right, axis=COLUMNS, mode="nearest") ** 2
    np.maximum(high, 0.0, out=high)
    total = pixels * box_mean(np.square(image, dtype=np.float64), window)
    # Rounding, not texture: what is left of a flat or evenly sloping window.
    high[high < 1e-14 * total] = 0.0
    return np.sqrt(ratio(high, total - high)).astype(image.dtype, copy=False)


def _chebyshev(count: int, order: int) -> npt.NDArray[np.float64]:
    """Orthonormal polynomials on `count` points, one a row, as many as there can be."""
    points = np.linspace(-1.0, 1.0, count)
    basis, _ = np.linalg.qr(np.vander(points, min(order + 1, count), increasing=True))
    return basis.T


def sta2(image: Reals, window: int, *, largest: int = 5, every: int = 1) -> Reals:
    """Sum of the largest eigenvalues of the window's covariance (Wee and Paramesran 2007).

    Parameters
    ----------
    image : array (n, rows, columns)
    window : int
    largest : int
        Number of eigenvalues kept; a window no larger needs none, the trace is their sum.
    every : int
        Work out one pixel in so many each way, from the first on, and give its neighbours the same.
    """
    energy = window * window * box_mean(np.square(image, dtype=np.float64), window)
    if window <= largest:
        traces = window * window * box_variance(image.astype(np.float64), window)
    else:
        traces = _leading_eigenvalues(image, window, largest, every)
    scale = energy * max(window * window - 1, 1)
    return ratio(traces, scale).astype(image.dtype, copy=False)


def _leading_eigenvalues(image: Reals, window: int, largest: int, every: int) -> Reals:
    """Sum of the leading eigenvalues of J J^T, J the window less its mean; rows go in blocks."""
    rows, columns = image.shape[ROWS], image.shape[COLUMNS]
    sums = np.empty((len(image), -(-rows // every), -(-columns // every)))
    block = max(1, _PATCH_VALUES // (sums.shape[COLUMNS] * window * window))
    for frame, padded in enumerate(pad(image, window // 2)):
        patches = sliding_window_view(padded, (window, window))[::every, ::every]
        for start in range(0, len(patches), block):
            part = patches[start : start + block]
            centred = part - part.mean(axis=(-2, -1), keepdims=True)
            values = np.linalg.eigvalsh(centred @ np.swapaxes(centred, -1, -2))
            sums[frame, start : start + block] = values[..., -largest:].sum(axis=-1)
    np.maximum(sums, 0.0, out=sums)
    return sums.repeat(every, axis=ROWS).repeat(every, axis=COLUMNS)[:, :rows, :columns]


def sta3(image: Reals, window: int) -> Reals:
    """Grey-level variance (Groen, Young and Ligthart 1985; Krotkov and Martin 1986)."""
    return box_variance(image, window)


def sta4(image: Reals, window: int) -> Reals:
    """Variance of the local variance (Pech-Pacheco and others 2000)."""
    return box_variance(box_variance(image, window), window)


def sta5(image: Reals, window: int) -> Reals:
    """Variance over mean (Groen, Young and Ligthart 1985); 0 where the mean is not positive."""
    mean, variance = box_moments(image, window)
    return ratio(variance, mean).astype(image.dtype, copy=False)


def sta6(image: Reals, window: int) -> Reals:
    """Mean square of each pixel less the mean round it: one mean a pixel, not one a window."""
    residual = image - box_mean(image, window)
    residual *= residual
    return box_mean(residual, window)


def sta7(image: Reals, window: int, *, levels: int = 256, data_range: float = 1.0) -> Reals:
    """Entropy of the window's histogram, in bits (Firestone and others 1991).

    Parameters
    ----------
    image : array (n, rows, columns)
    window : int
    levels : int
        Bins of the histogram, 2 to 256.
    data_range : float
        Grey value of the top of the last bin; the first begins at 0. Values outside are clipped.
    """
    half = window // 2
    square = np.ones((window, window), dtype=np.uint8)
    maps = np.empty_like(image)
    for frame, grey in enumerate(quantised(image, levels=levels, data_range=data_range)):
        entropy = rank.entropy(np.pad(grey, half, mode="edge"), square)
        maps[frame] = entropy[half : half + grey.shape[0], half : half + grey.shape[1]]
    return maps


def quantised(image: Reals, *, levels: int = 256, data_range: float = 1.0) -> npt.NDArray[np.uint8]:
    """Return the number of the histogram bin of each pixel.

    Raises
    ------
    ValueError
        `levels` is out of 2..256, or the image lies far above `data_range`.
    """
    if not 2 <= levels <= 256:
        raise ValueError(f"levels must be from 2 to 256, got {levels}")
    top = float(image.max())
    if not data_range > 0.0 or top > 2.0 * data_range:
        raise ValueError(
            f"data_range must be positive and suit the image, got {data_range:g} for grey values "
            f"up to {top:g}"
        )
    # Halves of a bin are added so that 8-bit values sit in the middle of their own bins.
    bins = np.floor(image * ((levels - 1) / data_range) + 0.5)
    return np.clip(bins, 0, levels - 1).astype(np.uint8)


def sta8(image: Reals, window: int) -> Reals:
    """Range of the grey values in the window (Firestone and others 1991)."""
    axes = (ROWS, COLUMNS)
    highest = ndimage.maximum_filter(image, window, mode="nearest", axes=axes)
    highest -= ndimage.minimum_filter(image, window, mode="nearest", axes=axes)
    return highest


_FAMILY = "statistics"

MEASURES = (
    Measure(
        "sta1", _FAMILY, "Chebyshev moments", "Yap and Raveendran 2004", sta1,
        degree=0, offset_free=False,
    ),
    Measure(
        "sta2", _FAMILY, "eigenvalues", "Wee and Paramesran 2007", sta2,
        degree=0, offset_free=False,
    ),
    Measure("sta3", _FAMILY, "grey-level variance", "Groen et al. 1985", sta3, degree=2),
    Measure(
        "sta4", _FAMILY, "local variance", "Pech-Pacheco et al. 2000", sta4,
        degree=4, rows=two_windows,
    ),
    Measure(
        "sta5", _FAMILY, "normalised variance", "Groen et al. 1985", sta5,
        degree=1, offset_free=False,
    ),
    Measure(
        "sta6", _FAMILY, "modified variance", "Pertuz et al. 2013", sta6,
        degree=2, rows=two_windows,
    ),
    Measure("sta7", _FAMILY, "histogram entropy", "Firestone et al. 1991", sta7, degree=None),
    Measure("sta8", _FAMILY, "histogram range", "Firestone et al. 1991", sta8, degree=1),
)  # fmt: skip
