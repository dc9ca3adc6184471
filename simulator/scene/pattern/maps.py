"""Rectangular maps, such as pictures: how they go on beyond their edges, and how they are read.

Coordinates are counted in maps: 0 to 1 is the map itself, from edge to edge, and texel i of n has
its middle at (i + 1/2) / n.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy.fft import dctn, idctn, irfft2, rfft2

from ....ground.arrays import clip, kept, namespace, single, take
from ....ground.types import Floats
from . import tiles

Repeat = Literal["none", "tile", "mirror"]
#: Texels that `padded` adds to each side.
MARGIN = 2
#: How `numpy.pad` calls what lies beyond an edge, and a filter of `scipy.ndimage`.
PADS = {"none": "edge", "tile": "wrap", "mirror": "symmetric"}
EDGES = {"none": "nearest", "tile": "grid-wrap", "mirror": "reflect"}
#: Beyond this cut-off, cycles per texel, a map has nothing that is to be taken away.
_NO_CUT = 0.8
_TEXELS_PER_CYCLE = 6.0
_SMALLEST = 4


def folded(at: Floats, repeat: Repeat) -> Floats:
    """Return coordinates within the map, 0 to 1, of any coordinates.

    Parameters
    ----------
    at : ndarray of float32
        In maps.
    repeat : {"none", "tile", "mirror"}
        ``none`` stays at the edge, ``tile`` begins again, ``mirror`` goes back.
    """
    xp = namespace(at)
    if repeat == "none":
        return clip(at, 0, 1)  # type: ignore[no-any-return]
    if repeat == "tile":
        return at - xp.floor(at)  # type: ignore[no-any-return]
    back = at - 2 * xp.floor(at * 0.5)
    return xp.minimum(back, 2 - back)  # type: ignore[no-any-return]


def padded(values: Floats, repeat: Repeat) -> Floats:
    """Return a map, (rows, cols, ...), with the texels beyond each edge that a reader wants."""
    wide = ((MARGIN, MARGIN), (MARGIN, MARGIN), (0, 0))[: values.ndim]
    # Wider than a small map is, in turns.
    return np.pad(values, wide, mode=PADS[repeat])  # type: ignore[call-overload,no-any-return]


def read_linear(values: Floats, u: Floats, v: Floats) -> Floats:
    """Interpolate a padded map bilinearly.

    Parameters
    ----------
    values : ndarray of float32, shape (rows + 4, cols + 4, channels)
        As `padded` makes it.
    u, v : ndarray of float32, shape (points,)
        Coordinates in maps, 0 to 1.

    Returns
    -------
    ndarray of float32, shape (points, channels)
    """
    xp = namespace(u)
    place, right, down = _placed(values.shape, u, v, xp.floor)
    flat, across = xp.reshape(kept(values, xp), (-1, values.shape[2])), values.shape[1]
    right, down = right[:, None], down[:, None]
    top = xp.take(flat, place, axis=0)
    top += right * (xp.take(flat, place + 1, axis=0) - top)
    place += across
    bottom = xp.take(flat, place, axis=0)
    bottom += right * (xp.take(flat, place + 1, axis=0) - bottom)
    bottom -= top
    bottom *= down
    top += bottom
    return top  # type: ignore[no-any-return]


def read_smooth(values: Floats, u: Floats, v: Floats) -> Floats:
    """Read a padded map by a quadratic B-spline: a mean of nine texels, of continuous slope.

    It passes through a plane exactly and never beyond the texels that it is a mean of; a texel
    by itself counts 9/16 in its middle.

    Parameters
    ----------
    values : ndarray of float32, shape (rows + 4, cols + 4)
        As `padded` makes it.
    u, v : ndarray of float32, shape (points,)
        Coordinates in maps, 0 to 1.

    Returns
    -------
    ndarray of float32, shape (points,)
    """
    xp = namespace(u)
    place, right, down = _placed(values.shape, u, v, xp.round)
    flat, across = xp.reshape(kept(values, xp), (-1,)), values.shape[1]
    total: Floats = xp.zeros_like(right)
    for row, weight in zip((-1, 0, 1), tiles.quadratic(down), strict=True):
        line = xp.zeros_like(right)
        for column, share in zip((-1, 0, 1), tiles.quadratic(right), strict=True):
            line += share * take(flat, place + (row * across + column))
        total += weight * line
    return total


def _placed(
    shape: tuple[int, ...], u: Floats, v: Floats, nearest: Any
) -> tuple[npt.NDArray[np.intp], Floats, Floats]:
    """Return the texel that points are counted from, and how far they lie right and down of it."""
    rows, cols = shape[0] - 2 * MARGIN, shape[1] - 2 * MARGIN
    xp = namespace(u)
    across = u * cols - 0.5
    down = v * rows - 0.5
    column, row = nearest(across), nearest(down)
    place = (xp.astype(row, xp.int64) + MARGIN) * shape[1] + xp.astype(column, xp.int64) + MARGIN
    return place, across - column, down - row


def cut_step(texel_mm: float, footprint_mm: float) -> int | None:
    """Give the number of the band limit of a map for a pixel; None where none is needed.

    Parameters
    ----------
    texel_mm : float
        Side of a texel on the subject.
    footprint_mm : float
        Side of a pixel on the subject, >= 0.
    """
    return tiles.cut_step(texel_mm, footprint_mm, no_cut=_NO_CUT)


def band_limited(values: Floats, step: int | None, repeat: Repeat) -> Floats:
    """Return a map without the frequencies above the numbered cut-off, with fewer texels.

    Parameters
    ----------
    values : ndarray of float32, shape (rows, cols, channels)
    step : int or None
        From `cut_step`.
    repeat : {"tile", "mirror"}
        What lies beyond the edges, which the filter sees.

    Returns
    -------
    ndarray of float32
        Of the same mean; its texels lie as those of any map do.
    """
    if step is None:
        return values
    cut = tiles.cut_of(step)
    rows, cols = (_fewer(side, cut) for side in values.shape[:2])
    shrink = _shrunk_tile if repeat == "tile" else _shrunk_mirror
    made = [shrink(values[..., i], (rows, cols), cut) for i in range(values.shape[2])]
    return np.stack(made, axis=-1)


def _fewer(side: int, cut: float) -> int:
    """Return how many texels hold what a cut-off leaves of a side; even, or as many as before."""
    wanted = max(_SMALLEST, int(np.ceil(_TEXELS_PER_CYCLE * cut * side)))
    wanted += wanted % 2
    return wanted if wanted < side else side


def _shrunk_tile(channel: Floats, size: tuple[int, int], cut: float) -> Floats:
    n, m = channel.shape
    down, across = np.fft.fftfreq(n).astype(np.float32), np.fft.rfftfreq(m).astype(np.float32)
    spectrum = rfft2(channel) * _left(down, across, cut)
    # Texels of another size have their middles elsewhere.
    spectrum *= _moved(down, n, size[0])[:, None] * _moved(across, m, size[1])
    if size[0] < n:
        half = size[0] // 2
        spectrum = np.concatenate([spectrum[:half], spectrum[-half:]])
    spectrum = spectrum[:, : size[1] // 2 + 1] * single(size[0] * size[1] / (n * m))
    return np.asarray(irfft2(spectrum, s=size), np.float32)


def _moved(frequency: Floats, before: int, after: int) -> npt.NDArray[np.complex64]:
    """Return what moves a spectrum from the middle of the first texel before to that after."""
    by = 0.5 * (before / after - 1)
    return np.exp(2j * np.pi * by * frequency).astype(np.complex64)


def _shrunk_mirror(channel: Floats, size: tuple[int, int], cut: float) -> Floats:
    # The cosine transform of type 2 is that of a map with its mirror image beyond each edge.
    n, m = channel.shape
    down, across = (np.arange(k, dtype=np.float32) / single(2 * k) for k in (n, m))
    spectrum = dctn(channel, norm="ortho") * _left(down, across, cut)
    scale = single(np.sqrt(size[0] * size[1] / (n * m)))
    return np.asarray(idctn(spectrum[: size[0], : size[1]] * scale, norm="ortho"), np.float32)


def _left(down: Floats, across: Floats, cut: float) -> Floats:
    """Return how much is left of each frequency, cycles per texel."""
    radius = np.hypot(down[:, None], across[None, :]) / single(cut)
    # Beyond three times the cut-off nothing is left, and the power would overflow.
    return np.exp(-(np.minimum(radius, 3) ** tiles.STEEPNESS))
