"""Bases of the blur of a pupil that is not round, over both axes of frequency.

They do what those of `basis` do for a round one. A kernel here is a picture of the pupil: it is
not the same in all directions, and behind the plane of focus it is turned by 180 degrees against
what it is before it, so that the two sides need bands of their own unless the pupil is even.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import lru_cache
from math import ceil, lcm, sqrt
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft

from ...ground.arrays import sent
from ...ground.types import Doubles, Floats
from ..rig import Rig
from .basis import (
    FADE,
    Band,
    Optics,
    band_number,
    bands_between,
    compensation,
    edges_px,
    ended,
    exact_band,
    kernel_spectra,
    optics_of,
    reach_px,
    scale_for,
    tabulated,
)
from .pupil import ROUND, Pupil, diaphragm
from .pupil_cells import cell_spectra
from .pupil_transfer import OverlapLines, overlap_lines

#: Blur radii that a band is made from.
_RADII = 64
#: A kernel is made on at least this many samples a side.
_LEAST_KERNEL = 64
#: Merged pixels beyond a disc that its soft edge takes, and that merging and doubling take.
_SOFT, _MERGED = 2, 4
#: Up to this frequency the whole tolerance of a basis counts; beyond, in proportion more.
_FULL_WEIGHT_CY_PER_PX = 0.06


@dataclass(frozen=True, slots=True)
class ShapedOptics(Optics):
    """What the blur of a picture depends on, for a pupil of any convex shape.

    Parameters
    ----------
    pupil : Pupil
        Its other numbers are those of the round pupil that its lengths are counted in.
    """

    pupil: Pupil = ROUND

    @property
    def size(self) -> float:
        """Radius of a disc of the pupil's area, in radii of the round pupil."""
        return sqrt(self.pupil.area)

    @property
    def even(self) -> bool:
        """Whether the blur before and behind the plane of focus is the same."""
        return self.pupil.even and self.spherical_mm == 0 and not any(self.colour_mm)

    @property
    def spherical_px(self) -> float:
        """Spherical aberration as a radius of the round pupil's blur, px."""
        return self.spherical_mm * self.radius_px_per_defocus_mm

    @property
    def margin_px(self) -> int:
        """How far light goes beyond the farthest corner of the blur, px."""
        return ceil(self.pupil.farthest * self.diffraction_margin_px)


def blur_of(rig: Rig, *, pitch_um: float, diffraction: bool = True) -> Optics:
    """Return the key of a rig's blur at a picture's pixel pitch, whatever its pupil's shape.

    Parameters
    ----------
    rig : Rig
    pitch_um : float
        Of the picture's pixels.
    diffraction : bool
    """
    key = optics_of(rig, pitch_um=pitch_um, diffraction=diffraction)
    return through_pupil(key, pupil_of(rig))


def through_pupil(key: Optics, pupil: Pupil) -> Optics:
    """Return the same blur through a pupil of another shape."""
    if shape_of(key) == pupil:
        return key
    known = {field.name: getattr(key, field.name) for field in fields(Optics)}
    return Optics(**known) if pupil == ROUND else ShapedOptics(**known, pupil=pupil)


def clipped(key: Optics, pupil: Pupil) -> Optics:
    """Return the same blur where only a part of the pupil is left.

    One wavelength stands for each channel there: pupils are many, and the mean over wavelengths
    that are 5 % apart differs by less than 1e-3.
    """
    if shape_of(key) == pupil:
        return key
    red, green, blue = ((sum(waves) / len(waves),) for waves in key.wavelengths_um)
    return through_pupil(replace(key, wavelengths_um=(red, green, blue)), pupil)


def pupil_of(rig: Rig) -> Pupil:
    """Return the pupil that a rig's blades leave on the axis, without any rim."""
    lens = rig.lens
    return diaphragm(lens.blades, roundness=lens.blade_roundness, angle_deg=lens.blade_angle_deg)


def shape_of(key: Any) -> Pupil:
    """Return the pupil of a kind of blur."""
    return key.pupil if isinstance(key, ShapedOptics) else ROUND


class ShapedBand(Band):
    """The basis of such a blur for one range of blur radii.

    Its ``spectra`` are those of kernels on a square grid, (K, 3 or 1, rows, cols // 2 + 1).
    """

    def spectra_for(  # type: ignore[override]
        self, shape: tuple[int, int], seen: int = 1, xp: Any = np
    ) -> npt.NDArray[Any]:
        """Return the spectra on the grid of a real FFT, (K, 3, rows, cols // 2 + 1)."""
        spectra = _kernel_spectra(self, shape, seen, xp)
        return xp.broadcast_to(  # type: ignore[no-any-return]
            spectra, (spectra.shape[0], 3, *spectra.shape[2:])
        )


def forget_spectra() -> None:
    """Forget the spectra that are kept of any band on any device, so that its memory is free."""
    for spectra in (kernel_spectra, cell_spectra, _kernel_spectra):
        spectra.cache_clear()


@lru_cache(maxsize=6)
def _kernel_spectra(
    band: ShapedBand, shape: tuple[int, int], seen: int, xp: Any
) -> npt.NDArray[Any]:
    return sent(_host_spectra(band, shape, seen), xp)  # type: ignore[no-any-return]


def _host_spectra(band: ShapedBand, shape: tuple[int, int], seen: int) -> npt.NDArray[Any]:
    folded = _folded(_folded(_kernels(band, seen), -2, shape[0]), -1, shape[1])
    spectra = fft.rfft2(folded)
    # Those of an even kernel are real.
    return spectra if np.iscomplexobj(band.spectra) else np.ascontiguousarray(spectra.real)


def _folded(kernels: Floats, axis: int, length: int) -> Floats:
    """Return kernels with their middle at 0 of a periodic axis, wrapped round if it is short."""
    side = kernels.shape[axis] // 2
    lines = np.moveaxis(kernels, axis, 0)
    out = np.zeros((length, *lines.shape[1:]), np.float32)
    np.add.at(out, np.arange(-side, side) % length, lines)
    return np.moveaxis(out, 0, axis)


@lru_cache(maxsize=256)
def _kernels(band: ShapedBand, seen: int) -> Floats:
    """Return each product's kernel, its middle in the middle, (K, channels, 2 n, 2 n)."""
    length = band.spectra.shape[-2]
    side = min(-(-band.reach_px // band.scale), length // 2)
    merging = compensation((length, length), band.scale, seen)
    kernels = fft.irfft2(band.spectra * merging, s=(length, length))
    kernels = np.roll(kernels, side, (-2, -1))[..., : 2 * side, : 2 * side]
    at = np.arange(-side, side)
    return ended(
        kernels,
        band.spectra[..., 0, 0].real,
        np.hypot(at[:, None], at),
        (band.disc_px / band.scale + 1, side),
        quarter=False,
    )


@bands_between.register
def _(key: ShapedOptics, low_px: float, high_px: float) -> list[Band]:
    bands: list[Band] = []
    for side, least, most in ((1, low_px, high_px), (-1, -high_px, -low_px)):
        if most > 0 or (side > 0 and most == 0):
            first, last = (band_number(key.size * r) for r in (max(least, 0.0) / FADE, most))
            bands += [_band(key, number, side) for number in range(first, last + 1)]
    return bands


@exact_band.register
def _(key: ShapedOptics, radius_px: float) -> Band:
    return _single(key, radius_px)


@lru_cache(maxsize=256)
def _single(key: ShapedOptics, radius_px: float) -> ShapedBand:
    size = abs(radius_px)
    number = band_number(key.size * size)
    scale = scale_for(edges_px(number)[0])
    # Not less than in a band, so that as much of the diffraction is within.
    reach = _reach(key, max(size, edges_px(0)[1] / key.size), scale)
    exact = _transfer(key, np.array([radius_px]), scale, reach)
    return ShapedBand(
        low_px=0.0,
        high_px=size + 1.0,
        scale=scale,
        weights=np.ones((1, 2), np.float32),
        spectra=_stored(exact),
        reach_px=reach,
        disc_px=key.pupil.farthest * size,
        side=0,
    )


@reach_px.register
def _(key: ShapedOptics, radius_px: float) -> int:
    low, high = edges_px(band_number(key.size * radius_px))
    scale = scale_for(low)
    return _reach(key, high / key.size, scale) + (0 if scale == 1 else _MERGED * scale)


def _reach(key: ShapedOptics, radius_px: float, scale: int) -> int:
    soft = 0 if scale == 1 else _SOFT * scale
    return ceil(key.pupil.farthest * radius_px) + key.margin_px + soft


@lru_cache(maxsize=512)
def _band(key: ShapedOptics, number: int, side: int) -> ShapedBand:
    # Bands are as for a round pupil, but counted in radii of a disc of the pupil's area.
    low, high = (edge / key.size for edge in edges_px(number))
    scale = scale_for(edges_px(number)[0])
    radius = np.linspace(low, high, _RADII)
    reach = _reach(key, high, scale)
    exact = _transfer(key, side * radius, scale, reach)
    products, spectra = _factored(exact, scale, key.tolerance)
    return ShapedBand(
        low_px=low,
        high_px=high,
        scale=scale,
        weights=tabulated(products, radius),
        spectra=_stored(spectra),
        reach_px=reach,
        disc_px=key.pupil.farthest * high,
        side=side,
    )


def _stored(spectra: npt.NDArray) -> Any:
    return spectra.astype(np.complex64 if np.iscomplexobj(spectra) else np.float32)


def _transfer(key: ShapedOptics, radius_px: Doubles, scale: int, reach: int) -> npt.NDArray:
    """Return the transfer on the grid of a kernel's real FFT, (radii, channels, rows, cols).

    It is real where the pupil is even, whatever its aberrations.
    """
    # What goes beyond a kernel comes round on its grid: leave room for it.
    length = fft.next_fast_len(max(_LEAST_KERNEL, 4 * -(-reach // scale)), real=True)
    length += length % 2
    shifts = [key.radius_px_per_defocus_mm * one for one in key.colour_mm]
    # A colour's defocus is one radius more; where there is none all channels go together.
    radius = radius_px + np.array(shifts if any(shifts) else [0.0])[:, None]
    exact = _grid_lines(replace(key, tolerance=1.0), length, scale).transfer(radius[None])
    grid = np.moveaxis(exact, 0, -1).swapaxes(0, 1)
    grid = grid.reshape(*grid.shape[:2], length, length // 2 + 1)
    # At half the sampling rate a wave and its mirror are one and the same: keep their mean.
    grid[..., length // 2, :] = grid[..., length // 2, :].real
    grid[..., -1] = grid[..., -1].real
    return grid.real if key.pupil.even else grid


@lru_cache(maxsize=8)
def _grid_lines(key: ShapedOptics, length: int, scale: int) -> OverlapLines:
    """Return the overlap's lines on the grid of a kernel's real FFT: all bands share them."""
    axes = np.fft.fftfreq(length) / scale, np.fft.rfftfreq(length) / scale
    f_y, f_x = (axis.ravel() for axis in np.meshgrid(*axes, indexing="ij"))
    reduced = _reduced(key)[:1] if key.grey else _reduced(key)
    shift = np.hypot(f_x, f_y)[:, None, None] * reduced
    return overlap_lines(key.pupil, f_x, f_y, shift=shift, spherical=key.spherical_px).single()


def _reduced(key: Optics) -> Doubles:
    """Return the reduced frequency of one cycle per pixel, (3, waves); 0 without diffraction."""
    if not key.diffraction:
        return np.zeros((3, 1))
    count = lcm(*(len(channel) for channel in key.wavelengths_um))
    waves = [np.repeat(channel, count // len(channel)) for channel in key.wavelengths_um]
    return np.array(waves) * (2 * key.working_f_number / key.pitch_um)


def _factored(exact: npt.NDArray, scale: int, tolerance: float) -> tuple[Doubles, npt.NDArray]:
    """Split (radii, channels, rows, cols) into weights (K, radii) and spectra (K, channels, ...).

    Natural pictures fall as 1/f, so an error may grow as f beyond a low frequency.
    """
    length = exact.shape[-2]
    frequency = np.hypot(fft.fftfreq(length)[:, None], fft.rfftfreq(length)) / scale
    importance = np.minimum(1.0, _FULL_WEIGHT_CY_PER_PX / np.maximum(frequency, 1e-9))
    weighted = (exact * importance).reshape(len(exact), -1)
    complex_ones = np.iscomplexobj(weighted)
    matrix = np.concatenate([weighted.real, weighted.imag], axis=1) if complex_ones else weighted
    # One product carries the light of all radii, the others none: so energy is kept.
    first = matrix.mean(axis=0)
    left, values, right = np.linalg.svd(matrix - first, full_matrices=False)
    for rank in range(len(values) + 1):
        rest = (left[:, :rank] * values[:rank]) @ right[:rank] + first - matrix
        if np.abs(rest).max() <= tolerance:
            break
    products = np.concatenate([np.ones((1, len(exact))), (left[:, :rank] * values[:rank]).T])
    spectra = np.concatenate([first[None], right[:rank]])
    if complex_ones:
        real, imaginary = np.split(spectra, 2, axis=1)
        spectra = real + 1j * imaginary
    return products, spectra.reshape(rank + 1, *exact.shape[1:]) / importance
