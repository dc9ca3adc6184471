"""Gaussian and Laplacian pyramids with the five-tap kernel of Burt and Adelson.

P. J. Burt and E. H. Adelson, "The Laplacian pyramid as a compact image code", IEEE Trans.
Communications 31, 532 (1983). Their generating kernel with a = 0.375 is the binomial
[1 4 6 4 1]/16; a = 0.4 is [0.05 0.25 0.4 0.25 0.05].
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from ....ground.types import Floats, Indices
from .strips import strips

BINOMIAL = 0.375
_SMALLEST_SIDE = 8


def level_count(shape: Sequence[int], smallest: int = _SMALLEST_SIDE) -> int:
    """Return how many times a picture can be halved before a side falls below `smallest`."""
    count, side = 0, min(shape[:2])
    while (side + 1) // 2 >= smallest:
        side = (side + 1) // 2
        count += 1
    return count


def wavelet_levels(shape: Sequence[int], most: int) -> int:
    """Return how many levels, 1 to `most`, leave a picture about 8 pixels a side."""
    return max(1, min(most, int(np.log2(max(2, min(shape) // 8)))))


def _taps(a: float) -> tuple[np.float32, np.float32, np.float32]:
    return np.float32(a), np.float32(0.25), np.float32(0.25 - a / 2)


def reduce(image: Floats, a: float = BINOMIAL) -> Floats:
    """Blur with the kernel and keep every second row and column; edges are mirrored."""
    rows, columns = ((side + 1) // 2 for side in image.shape[:2])
    across = _mirrored(-2, 2 * columns + 1, image.shape[1])
    out = np.empty((rows, columns, *image.shape[2:]), dtype=np.float32)
    for strip in strips(rows, 2 * image[0].size):
        down = _mirrored(2 * strip.start - 2, 2 * strip.stop + 1, len(image))
        tall = _halved(image[down[::2]], image[down[1::2]], a)
        even, odd = (_columns(tall, across[part::2]).swapaxes(0, 1) for part in (0, 1))
        out[strip] = _halved(even, odd, a).swapaxes(0, 1)
    return out


def _mirrored(start: int, stop: int, size: int) -> Indices:
    """Return which of `size` rows stand at `start`..`stop` when both ends are mirrored."""
    if size == 1:
        return np.zeros(stop - start, dtype=np.intp)
    period = 2 * (size - 1)
    index = np.arange(start, stop) % period
    return np.minimum(index, period - index)


def _halved(even: Floats, odd: Floats, a: float) -> Floats:
    """Blur along the first axis at every second row, given one even row more at either end."""
    middle, near, far = _taps(a)
    out = even[1:-1] * middle
    side = even[:-2] + even[2:]
    side *= far
    out += side
    np.add(odd[:-1], odd[1:], out=side)
    side *= near
    out += side
    return out


def expand(image: Floats, shape: Sequence[int], a: float = BINOMIAL) -> Floats:
    """Double a picture to `shape` by the kernel, so that a constant stays what it is."""
    out = np.empty((*shape[:2], *image.shape[2:]), dtype=np.float32)
    for rows, part in expanded_strips(image, shape, a):
        out[rows] = part
    return out


def expanded_strips(
    image: Floats, shape: Sequence[int], a: float = BINOMIAL
) -> Iterator[tuple[slice, Floats]]:
    """Double a picture as `expand` does, strip by strip: which rows, and what they hold."""
    height, width = shape[:2]
    across = _continued(-1, image.shape[1] + 1, image.shape[1])
    for rows in strips(height, width * image[0, 0].size, multiple=2):
        down = _continued(rows.start // 2 - 1, (rows.stop + 1) // 2 + 1, len(image))
        even, odd = _doubled(_columns(image[down], across).swapaxes(0, 1), a)
        wide = np.empty((len(down), width, *image.shape[2:]), dtype=np.float32)
        pixels(wide)[:, ::2] = pixels(even.swapaxes(0, 1))
        pixels(wide)[:, 1::2] = pixels(odd.swapaxes(0, 1))[:, : width // 2]
        part = np.empty((rows.stop - rows.start, *wide.shape[1:]), dtype=np.float32)
        part[::2], odd = _doubled(wide, a)
        part[1::2] = odd[: len(part) // 2]
        yield rows, part


def _continued(start: int, stop: int, size: int) -> Indices:
    """Return which of `size` rows stand at `start`..`stop`: mirrored before, repeated behind."""
    return np.minimum(np.abs(np.arange(start, stop)), size - 1)


def _doubled(rows: Floats, a: float) -> tuple[Floats, Floats]:
    """Return the even and odd rows of twice as many, given one row more at either end."""
    middle, near, far = _taps(a)
    even = rows[:-2] + rows[2:]
    even *= 2 * far
    even += rows[1:-1] * (2 * middle)
    odd = rows[1:-1] + rows[2:]
    odd *= 2 * near
    return even, odd


def _columns(image: Floats, index: Indices) -> Floats:
    picked = np.take(pixels(image), index, axis=1)
    return picked.view(np.float32).reshape(len(image), len(index), *image.shape[2:])


def pixels(image: Floats) -> npt.NDArray[np.void]:
    """View a picture with each pixel as one item: so they move three times as fast."""
    whole = np.dtype((np.void, image[0, 0].nbytes))
    return image.reshape(*image.shape[:2], -1).view(whole)[..., 0]


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
        band = np.empty_like(image)
        for rows, part in expanded_strips(smaller, image.shape, a):
            np.subtract(image[rows], part, out=band[rows])
        bands.append(band)
        image = smaller
    return [*bands, image]


def collapse(pyramid: Sequence[Floats], a: float = BINOMIAL) -> Floats:
    """Put a Laplacian pyramid together again."""
    image = pyramid[-1]
    for band in reversed(pyramid[:-1]):
        finer = np.empty_like(band)
        for rows, part in expanded_strips(image, band.shape, a):
            np.add(band[rows], part, out=finer[rows])
        image = finer
    return image
