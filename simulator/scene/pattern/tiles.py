"""Periodic tiles of noise and of photographs, band-limited to a pixel, and how they are looked up.

A tile is a square array that repeats without a seam; coordinates inside it are counted in periods,
so that 1.0 is one whole tile whatever its resolution. Tiles are made once and cached; the tile for
a given pixel size holds nothing finer than about two pixels and is no larger than it has to be.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any
from zlib import crc32

import numpy as np
import numpy.typing as npt
from scipy.ndimage import spline_filter

from ....ground.arrays import kept, namespace, take
from ....ground.chunks import at_once
from ....ground.smoothstep import smoothstep
from ....ground.types import Floats
from ...streams import stream
from ...tables import table

AnyTile = npt.NDArray[Any]

TILE_PX = 1024
# A layer of noise fills the band from LOWEST to HIGHEST cycles per tile; the next finer layer is a
# tile shrunk by their ratio, so that the layers join into one long spectrum.
LOWEST = 8.0
HIGHEST = 256.0
SHRINK = HIGHEST / LOWEST
# Largest features of the coarsest layer, cycles per tile.
CELLS = 16.0
# Band limit for a pixel of one unit, cycles per unit: exp(-(f / 0.42)^6) is 0.96 at half the
# Nyquist frequency and 0.06 at it.
_PASS = 0.42
STEEPNESS = 6
# Cut-offs are rounded down to eighths of an octave, so that a few tiles serve all pixel sizes.
_CUTS_PER_OCTAVE = 8
# Beyond this cut-off, cycles per tile, a tile has nothing that is to be taken away.
_NO_CUT = HIGHEST * 1.6
_CHUNK = 32_768


def in_chunks(
    work: Callable[[Floats, Floats], Floats], x_mm: npt.ArrayLike, y_mm: npt.ArrayLike
) -> Floats:
    """Apply a pointwise function of (x, y) to pieces that stay in the processor's cache.

    Parameters
    ----------
    work : callable
        Takes two flat float32 arrays of n points, returns shape (n,) or (n, channels).
    x_mm, y_mm : array_like
        Coordinates of equal (or broadcastable) shape.

    Returns
    -------
    ndarray of float32
        Shape of the coordinates, with the channels of `work` last.
    """
    points = [a if hasattr(a, "dtype") else np.asarray(a) for a in (x_mm, y_mm)]
    xp = namespace(points[0])
    x, y = xp.broadcast_arrays(*(xp.astype(a, xp.float32, copy=False) for a in points))
    shape, chunk = x.shape, min(at_once(_CHUNK, xp), x.size)
    x, y = xp.reshape(x, (-1,)), xp.reshape(y, (-1,))
    first = work(x[:chunk], y[:chunk])
    # Channel by channel in memory, as all pictures are.
    out = xp.moveaxis(xp.empty((*first.shape[1:], x.size), dtype=xp.float32), -1, 0)
    out[:chunk, ...] = first
    for start in range(chunk, x.size, max(chunk, 1)):
        piece = slice(start, min(start + chunk, x.size))
        out[piece, ...] = work(x[piece], y[piece])
    return xp.reshape(out, shape + first.shape[1:])  # type: ignore[no-any-return]


def look_up(tile: AnyTile, u: Floats, v: Floats) -> Any:
    """Interpolate a periodic tile bilinearly.

    Parameters
    ----------
    tile : ndarray, shape (n + 1, n + 1)
        As `wrapped` makes it, n a power of two: texel (row, column) stands at v = row/n,
        u = column/n, and the last row and column repeat the first. Two tiles that are always
        wanted together may be the parts of a complex one.
    u, v : ndarray of float32, shape (points,)
        Coordinates in periods; reused as scratch.
    """
    xp, n = namespace(u), tile.shape[0] - 1
    flat = xp.reshape(kept(tile, xp), (-1,))
    place = _placed(u, v, n, order=1)
    top = _between(flat, place, u)
    bottom = _between(flat[n + 1 :], place, u)
    bottom -= top
    bottom *= v
    top += bottom
    return top


def _placed(u: Floats, v: Floats, n: int, *, order: int) -> npt.NDArray[np.intp]:
    """Return where the first texel stands that each point draws on; ``order`` + 1 a side do.

    Parameters
    ----------
    u, v : ndarray of float32, shape (points,)
        In periods; become offsets in texels, from the first one for order 1, from the middle one
        for order 2.
    n : int
        Texels per period, a power of two; the tile repeats ``order`` of them.
    order : {1, 2}
    """
    xp = namespace(u)
    u *= n
    v *= n
    column, row = (xp.floor(u), xp.floor(v)) if order == 1 else (xp.round(u), xp.round(v))
    u -= column
    v -= row
    place, across = xp.astype(row, xp.int32), xp.astype(column, xp.int32)
    if order > 1:
        place -= order - 1
        across -= order - 1
    place &= n - 1
    across &= n - 1
    place *= n + order
    place += across
    return xp.astype(place, xp.int64)  # type: ignore[no-any-return]


def _between(flat: AnyTile, place: npt.NDArray[np.intp], right: Floats) -> AnyTile:
    left, change = take(flat, place, inside=True), take(flat[1:], place, inside=True)
    change -= left
    change *= right
    left += change
    return left  # type: ignore[no-any-return]


def look_up_smooth(tile: Floats, u: Floats, v: Floats) -> Floats:
    """Interpolate a periodic tile of spline coefficients, so that its slope is continuous too.

    Parameters
    ----------
    tile : ndarray of float32, shape (n + 2, n + 2)
        As `spline` makes it, n a power of two.
    u, v : ndarray of float32, shape (points,)
        Coordinates in periods; reused as scratch.
    """
    xp, n = namespace(u), tile.shape[0] - 2
    flat = xp.reshape(kept(tile, xp), (-1,))
    place = _placed(u, v, n, order=2)
    right, down = quadratic(u), quadratic(v)
    value: Floats = xp.zeros_like(u)
    for row, weight in enumerate(down):
        line = xp.zeros_like(u)
        for column, share in enumerate(right):
            texel = take(flat[row * (n + 2) + column :], place, inside=True)
            texel *= share
            line += texel
        line *= weight
        value += line
    return value


def quadratic(offset: Floats) -> tuple[Floats, Floats, Floats]:
    """Weights of the three texels around a point, for a quadratic B-spline."""
    middle = 0.75 - offset * offset
    return 0.5 * (0.5 - offset) ** 2, middle, 0.5 * (0.5 + offset) ** 2


def spline(tile: Floats) -> Floats:
    """Turn a tile into the spline coefficients that `look_up_smooth` wants."""
    coefficients = spline_filter(tile, order=2, mode="grid-wrap", output=np.float32)
    return np.pad(coefficients, ((0, 2), (0, 2)), mode="wrap")


def wrapped(tile: AnyTile) -> AnyTile:
    """Repeat the first row and column of a tile after the last, as `look_up` wants it."""
    return np.pad(tile, ((0, 1), (0, 1)), mode="wrap")


def cut_step(period_mm: float, footprint_mm: float, *, no_cut: float = _NO_CUT) -> int | None:
    """Give the number of the band limit of a tile for this pixel; None where none is needed.

    Parameters
    ----------
    period_mm : float
        Side of the tile on the subject, or of what else a cut-off is counted in.
    footprint_mm : float
        Side of a pixel on the subject, >= 0.
    no_cut : float
        Cut-off, cycles per period, from which on none is needed.
    """
    if footprint_mm <= 0:
        return None
    cut = _PASS * period_mm / footprint_mm
    if cut >= no_cut:
        return None
    return int(np.floor(_CUTS_PER_OCTAVE * np.log2(cut)))


def cut_of(step: int) -> float:
    """Return the numbered cut-off, cycles per period."""
    return float(2.0 ** (step / _CUTS_PER_OCTAVE))


def band_limited(tile: AnyTile, step: int | None) -> AnyTile:
    """Return a tile without the frequencies above the numbered cut-off, shrunk and wrapped.

    Parameters
    ----------
    tile : ndarray of float32 or complex64, shape (n, n)
    step : int or None
        From `cut_step`.
    """
    if step is None:
        return wrapped(tile)
    cut = cut_of(step)
    size = min(tile.shape[0], max(4, 1 << int(np.ceil(np.log2(max(6.0 * cut, 1.0))))))
    if np.iscomplexobj(tile):
        return wrapped(_shrunk(tile.real, size, cut) + 1j * _shrunk(tile.imag, size, cut))
    return wrapped(_shrunk(tile, size, cut))


def _shrunk(channel: Floats, size: int, cut: float) -> Floats:
    spectrum = np.fft.rfft2(channel) * np.exp(-((_radius(channel.shape[0]) / cut) ** STEEPNESS))
    half = size // 2
    kept = np.concatenate([spectrum[:half], spectrum[-half:]])[:, : half + 1]
    scale = (size / channel.shape[0]) ** 2
    return np.fft.irfft2(kept * scale, s=(size, size)).astype(np.float32)


@lru_cache(maxsize=4)
def _radius(n: int) -> npt.NDArray[np.float64]:
    return np.hypot(np.fft.fftfreq(n, 1 / n)[:, None], np.fft.rfftfreq(n, 1 / n)[None, :])


def _generator(*key: int | str) -> np.random.Generator:
    return np.random.default_rng([crc32(k.encode()) if isinstance(k, str) else k for k in key])


@table(most=16)
def noise(layer: int, falloff: float) -> Floats:
    """Make one layer of multi-octave noise, in units of the coarsest layer's deviation.

    Parameters
    ----------
    layer : int
        0 for the coarsest. Layer i is meant for a period SHRINK**i times smaller.
    falloff : float
        Amplitude falls as frequency to this power; 1 for natural images (the 1/f law, Field 1987,
        J. Opt. Soc. Am. A 4, 2379).

    Returns
    -------
    ndarray of float32, shape (1024, 1024)
        Zero mean. Layer 0 has unit variance.
    """
    white = np.fft.rfft2(_generator("noise", layer).standard_normal((TILE_PX, TILE_PX)))
    tile = np.fft.irfft2(white * _amplitude(layer, falloff), s=(TILE_PX, TILE_PX))
    return (tile / _coarsest_deviation(falloff)).astype(np.float32)


def _amplitude(layer: int, falloff: float) -> npt.NDArray[np.float64]:
    radius = _radius(TILE_PX)
    zoom = SHRINK**layer
    # `zoom` in front keeps the density per area of frequency plane when a tile shrinks.
    amplitude = zoom * (CELLS**2 + (zoom * radius) ** 2) ** (-falloff / 2)
    amplitude *= np.sqrt(1 - _rise(radius, HIGHEST))
    if layer > 0:
        amplitude *= np.sqrt(_rise(radius, LOWEST))
    amplitude[0, 0] = 0.0
    return amplitude


def _rise(radius: npt.NDArray[np.float64], centre: float) -> npt.NDArray[np.float64]:
    """Rise from 0 to 1 over the octave around `centre`, so that layers cross-fade in power."""
    return smoothstep(np.log2(np.maximum(radius, 1e-9) / centre) + 0.5)


@lru_cache(maxsize=16)
def _coarsest_deviation(falloff: float) -> float:
    amplitude = _amplitude(0, falloff)
    # rfft2 keeps half of the plane: count every column but the first and last twice.
    power = 2 * np.sum(amplitude[:, 1:-1] ** 2) + np.sum(amplitude[:, [0, -1]] ** 2)
    return float(np.sqrt(power) / TILE_PX)


@lru_cache(maxsize=16)
def calm_noise(falloff: float, flatness: float) -> npt.NDArray[np.complex64]:
    """Make the coarsest layer with calm parts, as real surfaces have.

    Parameters
    ----------
    falloff : float
        As in `noise`.
    flatness : float
        Share of the area that is without texture, 0 to 1.

    Returns
    -------
    ndarray of complex64, shape (1024, 1024)
        Real part the noise, imaginary part the factor (0 to 1) for the finer layers.
    """
    tile = noise(0, falloff)
    if flatness <= 0:
        return tile + np.complex64(1j)
    radius = _radius(TILE_PX)
    white = np.fft.rfft2(_generator("calm").standard_normal((TILE_PX, TILE_PX)))
    shaped = white / (CELLS**2 + radius**2) ** 1.5
    field = np.fft.irfft2(shaped, s=(TILE_PX, TILE_PX))
    busy = smoothstep((field - np.quantile(field, flatness)) / (1.2 * field.std()))
    busy = busy.astype(np.float32)
    # Calm parts keep the slow change of tone, without what is finer than a cell.
    slow = _shrunk(tile, TILE_PX, CELLS)
    return (slow + busy * (tile - slow)) + np.complex64(1j) * busy


@lru_cache(maxsize=8)
def photograph(name: str) -> Floats:
    """Load a photograph of the scikit-image wheel as a periodic tile of zero mean, unit variance.

    Parameters
    ----------
    name : {"grass", "gravel"}
        Both are square, 512 pixels, and in the public domain (CC0).

    Returns
    -------
    ndarray of float32, shape (512, 512)
    """
    from skimage import data  # noqa: PLC0415 - slow to import, and needed by few scenes

    tile = periodic(getattr(data, name)() / 255.0)
    tile -= tile.mean()
    return (tile / tile.std()).astype(np.float32)


@table(most=32)
def noise_for(layer: int, falloff: float, step: int | None) -> tuple[Floats, float]:
    """Return a noise layer for one pixel size, ready for `look_up`, and the variance it lost."""
    return _reduced(noise(layer, falloff), step)


@table(most=24)
def calm_noise_for(
    falloff: float, flatness: float, step: int | None
) -> tuple[npt.NDArray[np.complex64], float]:
    """Return calm noise for one pixel size, ready for `look_up`, and the variance it lost."""
    return _reduced(calm_noise(falloff, flatness), step)


@table(most=8)
def photograph_for(name: str, step: int | None) -> tuple[Floats, float]:
    """Return a photograph for one pixel size, ready for `look_up`, and the variance it lost."""
    return _reduced(photograph(name), step)


def _reduced(tile: AnyTile, step: int | None) -> tuple[AnyTile, float]:
    small = band_limited(tile, step)
    return small, max(float(tile.real.var() - small[:-1, :-1].real.var()), 0.0)


def periodic(picture: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return a picture without the smooth component that carries the jump across its edges.

    Moisan (2011), J. Math. Imaging Vis. 39, 161: periodic plus smooth image decomposition.

    Parameters
    ----------
    picture : ndarray, shape (n, n)
    """
    jump = np.zeros_like(picture)
    jump[0] += picture[-1] - picture[0]
    jump[-1] -= picture[-1] - picture[0]
    jump[:, 0] += picture[:, -1] - picture[:, 0]
    jump[:, -1] -= picture[:, -1] - picture[:, 0]
    n = picture.shape[0]
    laplacian = 2 * np.cos(2 * np.pi * np.fft.fftfreq(n))
    laplacian = laplacian[:, None] + laplacian[None, : n // 2 + 1] - 4
    laplacian[0, 0] = 1.0
    smooth = np.fft.rfft2(jump) / laplacian
    smooth[0, 0] = 0.0
    return picture - np.fft.irfft2(smooth, s=picture.shape)


class Placing:
    """Where the layers of noise lie on the subject: offsets and turns drawn from the seed.

    Parameters
    ----------
    seed : int
    name : str
        What is placed; the same seed and name give the same places.
    stretch : float
        Features are drawn out this many times along the direction `turn`.
    turn : float or None
        Direction, rad. None turns each layer by its own random angle, so that no repeat shows.
    """

    def __init__(
        self, seed: int, name: str, *, stretch: float = 1.0, turn: float | None = None
    ) -> None:
        rng = stream(seed, name, "place")
        self.offsets = rng.random((8, 2)).astype(np.float32)
        # Small turns keep the look-ups of a row of pixels close together in memory.
        angles = rng.uniform(-0.4, 0.4, 8) + np.pi * rng.integers(0, 2, 8)
        self._angles = angles if turn is None else np.full(8, turn)
        self._stretch = stretch

    def layer(
        self, period_mm: float, index: int
    ) -> Callable[[Floats, Floats], tuple[Floats, Floats]]:
        """Return the map from millimetres to periods of one layer."""
        cos, sin = np.cos(self._angles[index]), np.sin(self._angles[index])
        along = np.array([cos, sin]) / (period_mm * self._stretch)
        across = np.array([-sin, cos]) / period_mm
        (ax, ay), (bx, by) = (axis.astype(np.float32).tolist() for axis in (along, across))
        du, dv = self.offsets[index].tolist()
        return lambda x, y: (ax * x + ay * y + du, bx * x + by * y + dv)
