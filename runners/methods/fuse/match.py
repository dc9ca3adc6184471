"""Fusion in a gradient pyramid by match and salience."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ....ground.srgb import LUMA
from ....ground.types import Bools, Floats
from ..align.aligned import AlignedFrames
from ..picture.pyramid import collapse, expand, gaussian_pyramid, level_count, reduce
from .fused import Fused

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


@dataclass(eq=False, slots=True)
class _Winner:
    """The most salient of all frames at every node of one orientation of one level."""

    gradient: Floats  # of luma
    salience: Floats


def match_and_salience(
    aligned: AlignedFrames, *, threshold: float = THRESHOLD, window: int = WINDOW
) -> Fused:
    """Merge gradients: where frames match, weigh them; where they differ, take the strongest.

    With more than two frames every frame is matched with the most salient one of each node and
    weighs against it as it would if there were only the two; so the order of the frames does not
    matter. Weights are found from luma and used for all colours; the coarsest level is the mean.
    Goes through the frames twice and holds three pyramids, however many frames there are.

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
    levels = level_count(aligned.shape)
    winners = _winners(aligned, levels, window)
    bands: list[Floats] = []
    sums: list[Floats] = []
    for frame in aligned:
        pyramid, coarse = _decompose(frame.image, levels)
        shares = _shares(frame.covered, levels)
        parts: list[Floats] = [coarse]
        weights: list[Floats] = [np.maximum(shares[-1], np.float32(1e-3))]
        for level, won, share in zip(pyramid, winners, shares, strict=False):
            part, weight = _weighted(level, won, share > 0.5, threshold, window)
            parts.extend(part)
            weights.extend(weight)
        if not bands:
            bands = [np.zeros_like(part) for part in parts]
            sums = [np.full_like(weight, 1e-9) for weight in weights]
        for number, share in enumerate(weights):
            bands[number] += share[..., None] * parts[number]
            sums[number] += share
    top, *rest = (one / total[..., None] for one, total in zip(bands, sums, strict=True))
    per_level = len(_STEPS) + 1
    merged = [rest[start : start + per_level] for start in range(0, len(rest), per_level)]
    return Fused(collapse([*(_laplacian(level[:-1]) + level[-1] for level in merged), top]))


def _winners(aligned: AlignedFrames, levels: int, window: int) -> list[list[_Winner]]:
    """Find the most salient luma gradient of every node."""
    winners: list[list[_Winner]] = []
    for frame in aligned.greys():
        pyramid, _ = _decompose(frame.image, levels)
        shares = _shares(frame.covered, levels)
        for number, (level, share) in enumerate(zip(pyramid, shares, strict=False)):
            found = [
                _Winner(one, ndimage.uniform_filter(one**2, window, mode="nearest") * (share > 0.5))
                for one in level.gradients
            ]
            if len(winners) == number:
                winners.append(found)
                continue
            for best, new in zip(winners[number], found, strict=True):
                better = new.salience > best.salience
                np.copyto(best.gradient, new.gradient, where=better)
                np.copyto(best.salience, new.salience, where=better)
    return winners


def _weighted(
    level: _Level, winners: list[_Winner], covered: Bools, threshold: float, window: int
) -> tuple[list[Floats], list[Floats]]:
    """Return gradients and rest of one level of a frame, with the weight of each."""
    weights = [
        relative_weight(gradient @ LUMA, won.gradient, won.salience, threshold, window) * covered
        for gradient, won in zip(level.gradients, winners, strict=True)
    ]
    rest_weight = np.asarray(np.mean(weights, axis=0, dtype=np.float32))
    return [*level.gradients, level.rest], [*weights, rest_weight]


def relative_weight(
    band: Floats, winner: Floats, winner_salience: Floats, threshold: float, window: int
) -> Floats:
    """Return the weight of a band against that of the most salient one, which has weight 1.

    By the rule of the paper two bands of match M get weights 1/2 -+ (1/2)(1 - M)/(1 - threshold),
    the lesser going to the less salient, and 0 and 1 when M is below the threshold.
    """
    salience = ndimage.uniform_filter(band**2, window, mode="nearest")
    both = ndimage.uniform_filter(band * winner, window, mode="nearest")
    match = 2 * both / np.maximum(salience + winner_salience, np.float32(1e-20))
    lesser = np.clip(0.5 - 0.5 * (1 - match) / (1 - threshold), 0, 0.5)
    return np.asarray(lesser / (1 - lesser), dtype=np.float32)


def _shares(covered: Bools, levels: int) -> list[Floats]:
    return gaussian_pyramid(covered.astype(np.float32), levels)


def _decompose(image: Floats, levels: int) -> tuple[list[_Level], Floats]:
    """Return the gradient pyramid of a picture, fine to coarse, and its coarsest level."""
    pyramid = []
    for _ in range(levels):
        smaller = reduce(image)
        gradients = _gradients(image)
        rest = image - expand(smaller, image.shape) - _laplacian(gradients)
        pyramid.append(_Level(gradients, rest))
        image = smaller
    return pyramid, image


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
