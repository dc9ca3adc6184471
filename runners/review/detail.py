"""How much fine detail every part of a frame shows, in bands from fine to coarse."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import ndimage

from ...ground.srgb import LUMA
from ...ground.types import Doubles, Floats, Image
from ..methods.picture.stack import CLIPPED, binned
from ..methods.picture.strips import strips
from ..methods.picture.tone import full_scale, to_light

#: Widths of the finer of the two Gaussians of each band, working px, and how much wider the other
#: is. Bands lie an octave apart.
_SIGMAS = (0.6, 1.2, 2.4, 4.8)
_WIDER = 2.0
#: A picture is cut into about this many cells; none is smaller than this, working px.
_MOST_CELLS, _SMALLEST_PX = 3000, 8
#: Cells are blended with their neighbours, cells (standard deviation).
_BLEND = 0.7
#: Directions in which the loss by smear is looked for, degrees from the right, downward.
DIRECTIONS = (0.0, 45.0, 90.0, 135.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class CellGrid:
    """How a picture is cut into cells, after its pixels were merged.

    Parameters
    ----------
    shape : (rows, cols)
        Of a frame, px.
    bin : int
        Pixels merged into one working pixel, per side.
    """

    shape: tuple[int, int]
    bin: int

    @cached_property
    def cell(self) -> int:
        """Side of a cell, working px."""
        rows, cols = self.working
        return max(_SMALLEST_PX, int(np.ceil(np.sqrt(rows * cols / _MOST_CELLS))))

    @property
    def working(self) -> tuple[int, int]:
        """Rows and columns of working pixels."""
        return self.shape[0] // self.bin, self.shape[1] // self.bin

    @property
    def cells(self) -> tuple[int, int]:
        """Rows and columns of cells."""
        rows, cols = self.working
        return rows // self.cell, cols // self.cell

    @property
    def side(self) -> int:
        """Side of a cell, px of the frame."""
        return self.cell * self.bin


@dataclass(frozen=True, eq=False, kw_only=True)
class FrameDetail:
    """What one frame shows in each cell.

    Parameters
    ----------
    contrast : array (bands, rows, cols)
        Mean square of the contrast in each band, over the square of the cell's level.
    directions : array (directions, rows, cols)
        Mean square of the slope of the finest band along each of `DIRECTIONS`.
    level : array (rows, cols)
        Mean light, linear, 1.0 = white.
    clipped : array (rows, cols)
        Share of white pixels.
    """

    contrast: Doubles
    directions: Doubles
    level: Doubles
    clipped: Doubles


def frame_detail(image: Image, grid: CellGrid, *, linear: bool) -> FrameDetail:
    """Measure the detail of one frame, in the frame's own geometry.

    Nothing is resampled before it is measured: that would take fine detail away, more in one
    frame than in another.

    Parameters
    ----------
    image : array (rows, cols, 3)
    grid : CellGrid
    linear : bool
        Whether values are linear light; else sRGB.
    """
    luma, white = _working(image, grid, linear=linear)
    level = np.maximum(_cells(luma, grid), 1e-5)
    contrast, fine = [], luma
    for number, sigma in enumerate(_SIGMAS):
        band = band_of(luma, sigma)
        fine = band if number == 0 else fine
        contrast.append(_cells(band**2, grid) / level**2)
    return FrameDetail(
        contrast=np.stack(contrast),
        directions=_directed(fine, grid) / level**2,
        level=level,
        clipped=_cells(white, grid),
    )


def band_of(luma: Floats, sigma: float) -> Floats:
    """Take what lies between two Gaussians out of a picture."""
    fine, coarse = (
        ndimage.gaussian_filter(luma, width, mode="nearest") for width in (sigma, _WIDER * sigma)
    )
    return np.asarray(fine - coarse)


def band_transfers(frequency_cy_per_px: Doubles) -> Doubles:
    """Return the transfer of each band for a wave along the rows, shape (bands, frequencies).

    Parameters
    ----------
    frequency_cy_per_px : array (frequencies,)
        Cycles per working pixel.
    """
    pulse = np.zeros(257)
    pulse[128] = 1.0
    waves = np.cos(2 * np.pi * np.multiply.outer(np.arange(-128, 129), frequency_cy_per_px))
    found = []
    for sigma in _SIGMAS:
        fine, coarse = (
            ndimage.gaussian_filter1d(pulse, width) for width in (sigma, _WIDER * sigma)
        )
        found.append((fine - coarse) @ waves)
    return np.stack(found)


def _working(image: Image, grid: CellGrid, *, linear: bool) -> tuple[Floats, Floats]:
    """Return the luma of merged pixels, and the share of white ones in each."""
    lumas, whites = [], []
    for rows in strips(len(image), image[0].size, multiple=grid.bin):
        part = image[rows]
        white = (part.max(axis=2) >= CLIPPED * full_scale(image.dtype)).astype(np.float32)
        lumas.append(binned(to_light(part, linear=linear), grid.bin) @ LUMA)
        whites.append(binned(white, grid.bin))
    return np.concatenate(lumas), np.concatenate(whites)


def _cells(values: Floats, grid: CellGrid) -> Doubles:
    """Return means over cells, blended a little with their neighbours."""
    means = binned(np.asarray(values, dtype=np.float32), grid.cell).astype(float)
    return np.asarray(ndimage.gaussian_filter(means, _BLEND, mode="nearest"))


def _directed(band: Floats, grid: CellGrid) -> Doubles:
    down, right = (np.asarray(slope) for slope in np.gradient(band))
    both = _cells(right * down, grid)
    across, along = _cells(right**2, grid), _cells(down**2, grid)
    return np.stack(
        [
            across * np.cos(angle) ** 2 + along * np.sin(angle) ** 2 + both * np.sin(2 * angle)
            for angle in np.deg2rad(DIRECTIONS)
        ]
    )
