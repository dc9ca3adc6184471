"""Structural similarity at one scale and at several."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter

from ...ground.types import Bools, Floats
from ..checks import interior, mean_over

SIGMA_PX = 1.5
BORDER_PX = 5  # half of the 11 x 11 window: the mean leaves out what it would reflect
WINDOW_PX = 2 * BORDER_PX + 1
K1, K2 = 0.01, 0.03
SCALE_WEIGHTS = np.array([0.0448, 0.2856, 0.3001, 0.2363, 0.1333])
MULTI_SCALE_MIN_PX = WINDOW_PX * 2 ** (len(SCALE_WEIGHTS) - 1)


def local_mean(plane: Floats) -> Floats:
    """Local mean of a plane 0..1, less a half."""
    return _smooth(plane - np.float32(0.5))


def channels(image: Floats) -> list[Floats]:
    """Return the planes of an image (H, W) or (H, W, 3)."""
    return [image] if image.ndim == 2 else [image[..., at] for at in range(image.shape[2])]


def similarity_maps(
    first: Floats, second: Floats, means: tuple[Floats, Floats] | None = None
) -> tuple[Floats, Floats]:
    """Luminance and contrast-structure terms of two planes 0..1; their product is SSIM.

    Parameters
    ----------
    first, second : array (H, W)
    means : two arrays (H, W), optional
        Their `local_mean`, where it is known.
    """
    # Local second moments lose digits to the square of the mean, so it is taken from the middle.
    x, y = first - np.float32(0.5), second - np.float32(0.5)
    mean_x, mean_y = means or (_smooth(x), _smooth(y))
    cross = _smooth(x * y) - mean_x * mean_y
    power = _smooth(x * x + y * y) - mean_x * mean_x - mean_y * mean_y
    mean_x, mean_y = mean_x + np.float32(0.5), mean_y + np.float32(0.5)
    c1, c2 = np.float32(K1**2), np.float32(K2**2)
    luminance = np.divide(2 * mean_x * mean_y + c1, mean_x * mean_x + mean_y * mean_y + c1)
    structure = np.divide(2 * cross + c2, power + c2)
    return luminance, structure


def ssim_map(
    first: Floats, second: Floats, *, means: tuple[list[Floats], list[Floats]] | None = None
) -> Floats:
    """SSIM of two images 0..1 at every pixel, the mean over channels, shape (H, W).

    Parameters
    ----------
    first, second : array (H, W) or (H, W, 3)
    means : two lists of arrays (H, W), optional
        The `local_mean` of each channel, where it is known.
    """
    total = np.zeros(first.shape[:2], dtype=np.float32)
    planes = list(zip(channels(first), channels(second), strict=True))
    known = list(zip(*means, strict=True)) if means else [None] * len(planes)
    for pair, pair_means in zip(planes, known, strict=True):
        luminance, structure = similarity_maps(*pair, pair_means)
        luminance *= structure
        total += luminance
    return total / np.float32(len(planes))


def multi_scale_maps(first: Floats, second: Floats) -> list[Floats]:
    """Contrast-structure maps from fine to coarse; the last one is multiplied by luminance."""
    maps = []
    for level in range(len(SCALE_WEIGHTS)):
        if level:
            first, second = halve(first), halve(second)
        luminance, structure = similarity_maps(first, second)
        maps.append(structure if level < len(SCALE_WEIGHTS) - 1 else luminance * structure)
    return maps


def multi_scale_mean(maps: list[Floats], mask: Bools) -> float:
    """Product over scales of the mean over a mask, each to the power of its scale.

    The mask follows the pyramid as the share of each coarse pixel it covers, so that thin regions
    keep their weight. A negative mean counts as 0. NaN if the mask has nothing inside the borders.
    """
    share = mask.astype(np.float32)
    value = 1.0
    for level, (field, power) in enumerate(zip(maps, SCALE_WEIGHTS, strict=True)):
        share = halve(share) if level else share
        inner = (slice(BORDER_PX, -BORDER_PX),) * 2
        weight = share[inner].astype(np.float64)
        if not weight.any():
            return float("nan")
        mean = float((field[inner] * weight).sum() / weight.sum())
        value *= max(mean, 0.0) ** float(power)
    return value


def ssim_mean(field: Floats, mask: Bools) -> float:
    """Mean of an SSIM map over a mask, without the border where the window is cut."""
    return mean_over(field, interior(mask, BORDER_PX))


def halve(plane: Floats) -> Floats:
    """Mean of blocks of 2 x 2; an odd last row or column is left out."""
    rows, columns = plane.shape[0] // 2 * 2, plane.shape[1] // 2 * 2
    even = plane[:rows, :columns]
    half = even[::2] + even[1::2]
    return (half[:, ::2] + half[:, 1::2]) * np.float32(0.25)


def _smooth(plane: Floats) -> Floats:
    return gaussian_filter(plane, SIGMA_PX, radius=BORDER_PX)
