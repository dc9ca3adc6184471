"""Fusion in a gradient pyramid by match and salience."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from runners.methods.fused import Fused
from runners.methods.pyramid import collapse, expand, level_count, reduce
from runners.methods.tone import LUMA, Floats
from runners.methods.views import Views

THRESHOLD = 0.85
WINDOW = 5
_BINOMIAL_3 = (0.25, 0.5, 0.25)
_BINOMIAL_5 = (0.0625, 0.25, 0.375, 0.25, 0.0625)
# Steps (rows, columns) of the four first differences, and their weights: along the diagonals the
# pixels are a factor sqrt 2 further apart.
_STEPS = ((0, 1), (1, 1), (1, 0), (1, -1))
_WEIGHTS = (1.0, 0.5**0.5, 1.0, 0.5**0.5)


@dataclass(eq=False, slots=True)
class _Level:
    """One level of a gradient pyramid: four oriented gradients, and what they leave out."""

    gradients: list[Floats]
    rest: Floats


def match_and_salience(
    views: Views, *, threshold: float = THRESHOLD, window: int = WINDOW
) -> Fused:
    """Merge gradients: where two frames match, weigh them; where they differ, take the stronger.

    Frames are merged one after the other into one pyramid. Weights are found from luma and used
    for all colours; the coarsest level is the mean.

    Parameters
    ----------
    threshold : float
        Match above which two patterns are averaged, 0..1.
    window : int
        Side of the window of match and salience, px.

    References
    ----------
    P. J. Burt and R. J. Kolczynski, "Enhanced image capture through fusion", Proc. 4th Int.
    Conf. Computer Vision, 173 (1993). The gradient pyramid and the rule of match and salience
    from memory, with threshold 0.85 (0.75 to 0.85 are in use) and a 5 x 5 window. The gradient
    pyramid restores a picture but for a small aliasing term; here that term is kept and merged
    along, so that one frame alone comes back as it was.
    """
    levels = level_count(views.shape)
    merged: list[_Level] = []
    top, weights = np.zeros(0, dtype=np.float32), np.zeros(0, dtype=np.float32)
    for view in views:
        pyramid, coarse, shares = _decompose(view.image, view.covered, levels)
        share = np.maximum(shares[-1], np.float32(1e-3))[..., None]
        if not merged:
            merged, top, weights = pyramid, coarse * share, share
            continue
        for own, new, covered in zip(merged, pyramid, shares, strict=False):
            _merge(own, new, covered > 0.5, threshold, window)
        top += coarse * share
        weights = weights + share
    bands = [_laplacian(level.gradients) + level.rest for level in merged]
    return Fused(collapse([*bands, top / weights]))


def _decompose(
    image: Floats, covered: np.ndarray, levels: int
) -> tuple[list[_Level], Floats, list[Floats]]:
    pyramid, shares = [], [covered.astype(np.float32)]
    for _ in range(levels):
        smaller = reduce(image)
        gradients = _gradients(image)
        rest = image - expand(smaller, image.shape) - _laplacian(gradients)
        pyramid.append(_Level(gradients, rest))
        image = smaller
        shares.append(reduce(shares[-1]))
    return pyramid, image, shares


def _smooth(image: Floats, kernel: tuple[float, ...]) -> Floats:
    down = ndimage.correlate1d(image, kernel, axis=0, mode="nearest")
    return np.asarray(ndimage.correlate1d(down, kernel, axis=1, mode="nearest"))


def _moved(image: Floats, step: tuple[int, int]) -> Floats:
    """Return the picture's value one step further on, the edge continued."""
    rows, columns = step
    padded = np.pad(image, [(1, 1), (1, 1)] + [(0, 0)] * (image.ndim - 2), mode="edge")
    height, width = image.shape[:2]
    return padded[1 + rows : 1 + rows + height, 1 + columns : 1 + columns + width]


def _gradients(image: Floats) -> list[Floats]:
    """Return the four oriented first differences of the picture plus its smoothed self."""
    smooth = image + _smooth(image, _BINOMIAL_3)
    return [
        (_moved(smooth, step) - smooth) * np.float32(weight)
        for step, weight in zip(_STEPS, _WEIGHTS, strict=True)
    ]


def _laplacian(gradients: list[Floats]) -> Floats:
    """Turn oriented gradients into the band of a Laplacian pyramid, but for aliasing.

    A second difference along each direction gives oriented Laplacians, whose sum times -1/8 is
    (1 - w)(1 + w) of the picture, w being the 3 x 3 binomial; one more 1 + w*w makes it the band
    of the pyramid of Burt and Adelson.
    """
    total = np.zeros_like(gradients[0])
    for gradient, (rows, columns), weight in zip(gradients, _STEPS, _WEIGHTS, strict=True):
        total -= (gradient - _moved(gradient, (-rows, -columns))) * np.float32(weight / 8)
    return total + _smooth(total, _BINOMIAL_5)


def _merge(own: _Level, new: _Level, covered: np.ndarray, threshold: float, window: int) -> None:
    """Merge one level of a frame into the pyramid."""
    shares = np.zeros(covered.shape, dtype=np.float32)
    for number, gradient in enumerate(new.gradients):
        share = new_share(own.gradients[number] @ LUMA, gradient @ LUMA, threshold, window)
        share[~covered] = 0
        shares += share / len(new.gradients)
        own.gradients[number] += share[..., None] * (gradient - own.gradients[number])
    own.rest += shares[..., None] * (new.rest - own.rest)


def new_share(own: Floats, new: Floats, threshold: float, window: int) -> Floats:
    """Return the weight of the new of two bands, 0..1, from their match and salience."""
    salience_own = ndimage.uniform_filter(own**2, window, mode="nearest")
    salience_new = ndimage.uniform_filter(new**2, window, mode="nearest")
    both = ndimage.uniform_filter(own * new, window, mode="nearest")
    match = 2 * both / np.maximum(salience_own + salience_new, 1e-20)
    lesser = np.where(match > threshold, 0.5 - 0.5 * (1 - match) / (1 - threshold), 0)
    lesser = np.clip(lesser, 0, 0.5)
    return np.where(salience_new > salience_own, 1 - lesser, lesser).astype(np.float32)
