"""Gaussian and Laplacian pyramids with the five-tap kernel of Burt and Adelson.

P. J. Burt and E. H. Adelson, "The Laplacian pyramid as a compact image code", IEEE Trans.
Communications 31, 532 (1983). Their generating kernel with a = 0.375 is the binomial
[1 4 6 4 1]/16; a = 0.4 is [0.05 0.25 0.4 0.25 0.05].
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from runners.methods.tone import Floats

BINOMIAL = 0.375
_SMALLEST_SIDE = 8


def level_count(shape: Sequence[int], smallest: int = _SMALLEST_SIDE) -> int:
    """Return how many times a picture can be halved before a side falls below `smallest`."""
    count, side = 0, min(shape[:2])
    while (side + 1) // 2 >= smallest:
        side = (side + 1) // 2
        count += 1
    return count


def _taps(a: float) -> tuple[np.float32, np.float32, np.float32]:
    return np.float32(a), np.float32(0.25), np.float32(0.25 - a / 2)


def reduce(image: Floats, a: float = BINOMIAL) -> Floats:
    """Blur with the kernel and keep every second row and column; edges are mirrored."""
    return _reduce_rows(_reduce_rows(image, a).swapaxes(0, 1), a).swapaxes(0, 1)


def _reduce_rows(image: Floats, a: float) -> Floats:
    middle, near, far = _taps(a)
    padded = _mirrored(image, 2)
    count = (image.shape[0] + 1) // 2
    even, odd = padded[0::2], padded[1::2]
    out = even[1 : count + 1] * middle
    side = even[:count] + even[2 : count + 2]
    side *= far
    out += side
    np.add(odd[:count], odd[1 : count + 1], out=side)
    side *= near
    out += side
    return out


def _mirrored(image: Floats, reach: int) -> Floats:
    """Continue an array by mirroring about its first and last row; one row is repeated."""
    rows = image.shape[0]
    index = np.arange(-reach, rows + reach + 1)
    if rows == 1:
        return image[np.zeros_like(index)]
    period = 2 * (rows - 1)
    index = np.abs((index + period) % period)
    return image[np.where(index >= rows, period - index, index)]


def expand(image: Floats, shape: Sequence[int], a: float = BINOMIAL) -> Floats:
    """Double a picture to `shape` by the kernel, so that a constant stays what it is."""
    wide = _expand_rows(image.swapaxes(0, 1), shape[1], a).swapaxes(0, 1)
    return _expand_rows(wide, shape[0], a)


def _expand_rows(image: Floats, rows: int, a: float) -> Floats:
    middle, near, far = _taps(a)
    padded = np.concatenate([image[:1], image, image[-1:]])
    if image.shape[0] > 1:
        padded[0] = image[1]
    out = np.empty((rows, *image.shape[1:]), dtype=np.float32)
    even = padded[:-2] + padded[2:]
    even *= 2 * far
    even += padded[1:-1] * (2 * middle)
    out[0::2] = even
    odd = padded[1:-1] + padded[2:]
    odd *= 2 * near
    out[1::2] = odd[: rows // 2]
    return out


def gaussian_pyramid(image: Floats, levels: int, a: float = BINOMIAL) -> list[Floats]:
    """Return the picture and `levels` reductions of it."""
    pyramid = [image]
    for _ in range(levels):
        pyramid.append(reduce(pyramid[-1], a))
    return pyramid


def laplacian_pyramid(image: Floats, levels: int, a: float = BINOMIAL) -> list[Floats]:
    """Return `levels` band-pass pictures, fine to coarse, and the rest."""
    bands = []
    for _ in range(levels):
        smaller = reduce(image, a)
        bands.append(image - expand(smaller, image.shape, a))
        image = smaller
    return [*bands, image]


def collapse(pyramid: Sequence[Floats], a: float = BINOMIAL) -> Floats:
    """Put a Laplacian pyramid together again."""
    image = pyramid[-1]
    for band in reversed(pyramid[:-1]):
        image = band + expand(image, band.shape, a)
    return image
