"""The pupil cut into cells: each sees the scene from its own place, and blurs it a little.

Where two blurred surfaces meet at an edge, what a point of the pupil sees of the far one depends
on where in the pupil it is. A cell sees everything from its middle, so only the blur within the
cell is left to do; the kernels of all cells, each in its place, add up to the whole disc.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import map_coordinates

from ...ground.arrays import kept
from ...ground.types import Doubles
from .basis import (
    FADE,
    Band,
    band_number,
    bands_between,
    compensation,
    edges_px,
    ended,
    exact_band,
    reach_px,
    scale_for,
    tabulated,
)
from .pupil import ROUND, Pupil

#: Points across the pupil that the cells are cut out of.
_POINTS = 256
#: Rounds that move each cell's middle into the middle of the points nearest to it.
_ROUNDS = 60
#: Samples of a cell's kernel, per side; it is small against them.
_KERNEL_PX = 64
_RADII = 48
#: Largest error of the transfer function in a basis.
_TOLERANCE = 1e-3
#: Up to this frequency it counts in full; beyond, less in proportion.
_FULL_WEIGHT_CY_PER_PX = 0.06
#: Light of a kernel that ends between pixels, px.
_SPARE_PX = 8
#: Merged pixels that merging and doubling spread it farther.
_MERGED = 6
#: Steps of a cell's transfer function, in cycles per radius of an equal disc, each way from 0.
_STEP, _HALF_STEPS = 1 / 12, 84
#: Spectra of more values than these, 1 MB, are not kept.
_FEW = 1 << 17


@dataclass(frozen=True, eq=False)
class Cell:
    """A part of the pupil.

    Parameters
    ----------
    middle : (x, y)
        Its centre of mass, in pupil radii from the axis.
    share : float
        Of the pupil's area.
    size : float
        Radius of a disc of its area, in pupil radii.
    farthest : float
        Of its points from its middle, in pupil radii.
    transfer : array (n, n) of complex128
        Its transfer function about its middle over frequency (y, x), in steps of _STEP cycles
        per ``size``.
    """

    middle: tuple[float, float]
    share: float
    size: float
    farthest: float
    transfer: npt.NDArray[np.complex128]


@lru_cache(maxsize=64)
def cut_pupil(count: int, pupil: Pupil = ROUND) -> tuple[Cell, ...]:
    """Cut the pupil into cells of nearly equal area.

    Parameters
    ----------
    count : int
        How many, > 0.
    pupil : Pupil
        Its shape.

    Raises
    ------
    ValueError
        A count below 1.
    """
    if count < 1:
        raise ValueError(f"cells: got {count}, allowed 1 or more")
    points = _points_of(pupil)
    owner = _owners(points, _first_middles(points, count, pupil))
    cells = (points[owner == k] for k in range(count))
    return tuple(_cell(part, len(points), pupil) for part in cells if len(part))


def _points_of(pupil: Pupil) -> Doubles:
    axis = (np.arange(_POINTS) + 0.5) / _POINTS * 2 - 1
    x, y = np.meshgrid(*_axes_of(pupil, axis))
    inside = pupil.holds(x, y)
    return np.stack([x[inside], y[inside]], axis=1)


def _axes_of(pupil: Pupil, axis: Doubles) -> tuple[Doubles, Doubles]:
    """Return an axis from -1 to 1 laid over the width and the height of a pupil."""
    if pupil == ROUND:
        return axis, axis
    least, most = pupil.extent(np.array([0.0, np.pi / 2]))
    middle, half = (most + least) / 2, (most - least) / 2
    return middle[0] + half[0] * axis, middle[1] + half[1] * axis


def _first_middles(points: Doubles, count: int, pupil: Pupil) -> Doubles:
    """Return where the cells' middles are to begin with: a spiral as wide as the pupil."""
    number = np.arange(count) + 0.5
    radius, turn = np.sqrt(number / count), number * np.pi * (3 - np.sqrt(5))
    middles = np.stack([radius * np.cos(turn), radius * np.sin(turn)], axis=1)
    # The deviation of a disc is half its radius.
    return middles if pupil == ROUND else points.mean(axis=0) + 2 * points.std(axis=0) * middles


def _owners(points: Doubles, middles: Doubles) -> npt.NDArray[np.intp]:
    """Return the cell that each point belongs to (Lloyd 1982, IEEE Trans. Inf. Theory 28, 129)."""
    count = len(middles)
    for _ in range(_ROUNDS):
        distance = (middles**2).sum(axis=1) - 2 * points @ middles.T
        owner = distance.argmin(axis=1)
        # A cell that has lost all its points stays out.
        weight = np.maximum(np.bincount(owner, minlength=count), 1)
        sums = [np.bincount(owner, points[:, k], minlength=count) for k in (0, 1)]
        middles = np.stack(sums, axis=1) / weight[:, None]
    return owner


def _cell(points: Doubles, whole: int, pupil: Pupil) -> Cell:
    middle = points.mean(axis=0)
    share = len(points) / whole
    size = float(np.sqrt(share if pupil == ROUND else share * pupil.area))
    farthest = float(np.hypot(*(points - middle).T).max())
    frequency = _STEP * np.arange(-_HALF_STEPS, _HALF_STEPS + 1)
    # Points stand on a grid, so the sum over them splits into one over x and one over y.
    columns, column = np.unique(points[:, 0], return_inverse=True)
    rows, row = np.unique(points[:, 1], return_inverse=True)
    mask = np.zeros((len(rows), len(columns)))
    mask[row, column] = 1 / len(points)
    across = np.exp(-2j * np.pi / size * np.outer(columns - middle[0], frequency))
    down = np.exp(-2j * np.pi / size * np.outer(rows - middle[1], frequency))
    transfer = (down.T @ mask @ across).astype(np.complex128)
    return Cell((float(middle[0]), float(middle[1])), share, size, farthest, transfer)


@dataclass(frozen=True, slots=True)
class CellBlur:
    """The geometric blur of one cell: the key of its bases.

    Parameters
    ----------
    cell : Cell
    radius_px_per_defocus_mm : float
        Of the whole pupil's disc.
    """

    cell: Cell
    radius_px_per_defocus_mm: float

    @property
    def size(self) -> float:
        """Radius of a disc of the cell's area, in pupil radii."""
        return self.cell.size

    @property
    def even(self) -> bool:
        """A cell's blur is turned round on the other side of the plane of focus."""
        return False

    @property
    def grey(self) -> bool:
        """It is geometric."""
        return True


class CellBand(Band):
    """The basis of a cell's blur for one range of blur radii of the whole pupil.

    Its ``spectra`` are those of kernels of _KERNEL_PX samples a side, (K, rows, cols).
    """

    def spectra_for(  # type: ignore[override]
        self, shape: tuple[int, int], seen: int = 1, xp: Any = np
    ) -> npt.NDArray[np.complex64]:
        """Return the spectra on the grid of a real FFT, (K, 3, rows, cols // 2 + 1)."""
        # Parts that follow each other are seen by one cell, and many are of one size.
        few = self.rank * shape[0] * (shape[1] // 2 + 1) <= _FEW
        spectra = (cell_spectra if few else _cell_spectra)(self, shape, seen, xp)
        whole = (spectra.shape[0], 3, *spectra.shape[2:])
        return xp.broadcast_to(spectra, whole)  # type: ignore[no-any-return]


def _cell_spectra(
    band: CellBand, shape: tuple[int, int], seen: int, xp: Any
) -> npt.NDArray[np.complex64]:
    """Return the spectra of a cell's band, (K, 1, rows, cols // 2 + 1)."""
    down = kept(_waves(np.fft.fftfreq, shape[0]), xp)
    across = kept(_waves(np.fft.rfftfreq, shape[1]), xp)
    spectra = down @ kept(_kernels(band, seen), xp) @ across.T
    return spectra[:, None, :, :]  # type: ignore[no-any-return]


#: The last few are kept.
cell_spectra = lru_cache(maxsize=32)(_cell_spectra)


@lru_cache(maxsize=256)
def _kernels(band: CellBand, seen: int) -> npt.NDArray[np.complex64]:
    """Return each product's kernel, its middle in the middle, (K, _KERNEL_PX, _KERNEL_PX)."""
    half = _KERNEL_PX // 2
    merging = compensation((_KERNEL_PX,) * 2, band.scale, seen)
    kernels = np.roll(fft.irfft2(band.spectra * merging, s=(_KERNEL_PX,) * 2), half, (1, 2))
    at = np.arange(-half, half)
    fade = (band.disc_px / band.scale + 1, min(-(-band.reach_px // band.scale), half))
    ends = ended(
        kernels, band.spectra[:, 0, 0].real, np.hypot(at[:, None], at), fade, quarter=False
    )
    return ends.astype(np.complex64)


@lru_cache(maxsize=256)
def _waves(frequencies: Callable[[int], npt.NDArray], length: int) -> npt.NDArray[np.complex64]:
    """Return the transform of _KERNEL_PX samples about a middle, (frequencies, samples)."""
    at = np.arange(-_KERNEL_PX // 2, _KERNEL_PX // 2)
    return np.exp(-2j * np.pi * np.outer(frequencies(length), at)).astype(np.complex64)


@bands_between.register
def _(key: CellBlur, low_px: float, high_px: float) -> list[Band]:
    bands: list[Band] = []
    for side, least, most in ((1, low_px, high_px), (-1, -high_px, -low_px)):
        if most > 0 or (side > 0 and most == 0):
            first, last = (band_number(key.size * r) for r in (max(least, 0.0) / FADE, most))
            bands += [_band(key.cell, number, side) for number in range(first, last + 1)]
    return bands


@exact_band.register
def _(key: CellBlur, radius_px: float) -> Band:
    scale = scale_for(edges_px(band_number(key.size * abs(radius_px)))[0])
    return CellBand(
        low_px=0.0,
        high_px=abs(radius_px) + 1.0,
        scale=scale,
        weights=np.ones((1, 2), np.float32),
        spectra=_transfer(key.cell, np.array([radius_px]) / scale).astype(np.complex64),
        reach_px=_reach(key.cell, abs(radius_px)) + 2 * scale,
        disc_px=key.cell.farthest * abs(radius_px),
        side=0,
    )


@reach_px.register
def _(key: CellBlur, radius_px: float) -> int:
    # Its own light alone: what a band would spread farther is no more than the basis' error.
    scale = scale_for(edges_px(band_number(key.size * radius_px))[0])
    return _reach(key.cell, radius_px) + (0 if scale == 1 else _MERGED * scale)


def _reach(cell: Cell, radius_px: float) -> int:
    return int(np.ceil(cell.farthest * radius_px)) + _SPARE_PX


@lru_cache(maxsize=256)
def _band(cell: Cell, number: int, side: int) -> CellBand:
    # Bands are as for the whole pupil, but counted in radii of a disc of the cell's area.
    low, high = (edge / cell.size for edge in edges_px(number))
    scale = scale_for(edges_px(number)[0])
    radius = np.linspace(low, high, _RADII)
    products, spectra = _factored(_transfer(cell, side * radius / scale), scale)
    return CellBand(
        low_px=low,
        high_px=high,
        scale=scale,
        weights=tabulated(products, radius),
        spectra=spectra.astype(np.complex64),
        reach_px=_reach(cell, high) + 2 * scale,
        disc_px=cell.farthest * high,
        side=side,
    )


def _transfer(cell: Cell, radius_px: Doubles) -> npt.NDArray[np.complex128]:
    """Return a cell's transfer on the grid of a kernel's real FFT, (radii, rows, cols)."""
    down = fft.fftfreq(_KERNEL_PX)[None, :, None]
    across = fft.rfftfreq(_KERNEL_PX)[None, None, :]
    size = (cell.size * radius_px)[:, None, None]
    at = np.broadcast_arrays(*(axis * size / _STEP + _HALF_STEPS for axis in (down, across)))
    real, imaginary = (
        map_coordinates(part, at, order=3, mode="nearest")
        for part in (cell.transfer.real, cell.transfer.imag)
    )
    exact = real + 1j * imaginary
    # At half the sampling rate a wave and its mirror are one and the same: keep their mean.
    exact[:, _KERNEL_PX // 2] = exact[:, _KERNEL_PX // 2].real
    exact[:, :, -1] = exact[:, :, -1].real
    return exact


def _factored(
    exact: npt.NDArray[np.complex128], scale: int
) -> tuple[Doubles, npt.NDArray[np.complex128]]:
    """Split (radii, rows, cols) into weights (K, radii) and spectra (K, rows, cols).

    Natural pictures fall as 1/f, so an error may grow as f beyond a low frequency.
    """
    frequency = np.hypot(fft.fftfreq(_KERNEL_PX)[:, None], fft.rfftfreq(_KERNEL_PX)) / scale
    importance = np.minimum(1.0, _FULL_WEIGHT_CY_PER_PX / np.maximum(frequency, 1e-9))
    weighted = exact * importance
    matrix = np.concatenate([weighted.real, weighted.imag], axis=1).reshape(len(exact), -1)
    # One product carries the light of all radii, the others none: so energy is kept.
    first = matrix.mean(axis=0)
    left, values, right = np.linalg.svd(matrix - first, full_matrices=False)
    for rank in range(len(values) + 1):
        rest = (left[:, :rank] * values[:rank]) @ right[:rank] + first - matrix
        if np.abs(rest).max() <= _TOLERANCE:
            break
    spectra = np.concatenate([first[None], right[:rank]])
    halves = spectra.reshape(rank + 1, 2, *exact.shape[1:]) / importance
    products = np.concatenate([np.ones((1, len(exact))), (left[:, :rank] * values[:rank]).T])
    return products, halves[:, 0] + 1j * halves[:, 1]
