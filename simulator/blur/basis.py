"""Low-rank bases of the defocused transfer function, one for each band of blur radii.

Within a sheet the blur changes from pixel to pixel. A transfer function of frequency f and defocus
w is a short sum over products, OTF(f, w) = sum_k a_k(w) B_k(f), so that a sheet of picture q and
defocus map w is blurred by a few Fourier transforms: sum_k IFFT(FFT(a_k(w) q) B_k). Wide blur
carries no fine detail, so wide bands work on merged pixels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache, singledispatch
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline, RectBivariateSpline

from ...ground.arrays import clip, kept, namespace, sent, single, write
from ...ground.types import Floats
from .. import optics, transfer
from ..rig import Rig
from ..tables import table
from .aberration import aberrated_otf
from .resample import boxing_transfer, doubling_transfer

#: Blur radii, in picture pixels, at which a band ends and the next takes over.
_FIRST_EDGE_PX = 4.0
#: A band fades out, and the next in, over this ratio of radii.
FADE = 1.25
#: Merged pixels per side never exceed this share of a band's smallest blur radius.
_RADIUS_PER_MERGED_PIXEL = 4.0
#: Up to this frequency the whole tolerance of a basis counts; beyond, in proportion more.
_FULL_WEIGHT_CY_PER_PX = 0.06
#: A lens that passes less than this is sharp enough for one sample of a texture per pixel.
_ALIAS_CY_PER_PX = 0.7
_FREQUENCIES = 8192
_DEFOCUS_SAMPLES = 80
_COARSE = 49
_TABLE = 16384
_FINEST_CY_PER_PX = np.sqrt(0.5)
#: A kernel is made on at least this many samples a side, and fades from this share of its reach.
_LEAST_KERNEL, _FADES_FROM = 64, 0.8
#: Merged pixels beyond a disc that its soft edge takes.
_SOFT = 2
#: Cycles per merged pixel from which a merged picture fades.
_COARSE_FADES_FROM = 0.4


@dataclass(frozen=True, slots=True)
class Optics:
    """What the blur of a picture depends on: the hashable key of all bases.

    Parameters
    ----------
    working_f_number : float
    pitch_um : float
        Of the picture's pixels.
    wavelengths_um : tuple of three tuples
        Samples of the red, green and blue channel.
    diffraction : bool
        Whether the wave nature of light counts; otherwise the blur is the geometric disc.
    tolerance : float
        Largest error of the transfer function in a basis, at low frequencies.
    spherical_mm : float
        Primary spherical aberration at the pupil's edge.
    colour_mm : (red, green, blue)
        Defocus of each channel at the nominal focus, at the pupil's edge.
    """

    working_f_number: float
    pitch_um: float
    wavelengths_um: tuple[tuple[float, ...], ...]
    diffraction: bool = True
    tolerance: float = 1e-3
    spherical_mm: float = 0.0
    colour_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def size(self) -> float:
        """Radius of the pupil, in its own radii."""
        return 1.0

    @property
    def even(self) -> bool:
        """Whether the blur before and behind the plane of focus is the same."""
        return self.spherical_mm == 0 and not any(self.colour_mm)

    @property
    def grey(self) -> bool:
        """Whether the blur is the same in all channels."""
        return not self.diffraction and not any(self.colour_mm)

    @property
    def radius_px_per_defocus_mm(self) -> float:
        """Radius of the blur disc, px, for one mm of edge wavefront defocus (b = 8 N_eff W020)."""
        return 4.0 * self.working_f_number * 1e3 / self.pitch_um

    @property
    def samples_per_px(self) -> int:
        """How many samples of a texture a pixel needs per side, where it is in focus.

        One will do where the lens passes nothing that a pixel would alias.
        """
        if not self.diffraction:
            return 2
        shortest = min(min(channel) for channel in self.wavelengths_um)
        cut_off_cy_per_px = self.pitch_um / (shortest * self.working_f_number)
        return 1 if cut_off_cy_per_px < _ALIAS_CY_PER_PX else 2

    @property
    def diffraction_margin_px(self) -> int:
        """How far light goes beyond the blur disc: five Airy radii, or a few pixels, px."""
        # Edge rays of an aberrated pupil land up to this much farther out.
        farther = 2 * abs(self.spherical_mm) + max(abs(shift) for shift in self.colour_mm)
        rays_px = int(np.ceil(farther * self.radius_px_per_defocus_mm))
        if not self.diffraction:
            return 8 + rays_px
        longest = max(max(channel) for channel in self.wavelengths_um)
        airy_px = 1.22 * longest * self.working_f_number / self.pitch_um
        return int(np.ceil(5 * airy_px)) + 2 + rays_px


class Blur(Protocol):
    """What every kind of blur tells, beside its bands."""

    @property
    def even(self) -> bool:
        """Whether the blur before and behind the plane of focus is the same."""

    @property
    def grey(self) -> bool:
        """Whether the blur is the same in all channels."""

    @property
    def radius_px_per_defocus_mm(self) -> float:
        """Radius of the blur disc, px, for one mm of edge wavefront defocus."""

    @property
    def size(self) -> float:
        """Radius of a disc of the pupil's (or its part's) area, in radii of the whole pupil."""


def optics_of(rig: Rig, *, pitch_um: float, diffraction: bool = True) -> Optics:
    """Return the key of a rig's blur at a picture's pixel pitch."""
    per_mm = optics.rig_aperture(rig) ** 2 / 2
    red, green, blue = (-per_mm * shift + 0.0 for shift in rig.lens.axial_colour_mm)
    return Optics(
        working_f_number=optics.rig_f_number(rig),
        pitch_um=pitch_um,
        wavelengths_um=rig.wavelengths_um,
        diffraction=diffraction,
        spherical_mm=rig.lens.spherical_um * 1e-3 if diffraction else 0.0,
        colour_mm=(red, green, blue),
    )


def plain_optics(key: Optics) -> Optics:
    """Return the same without wave nature and aberrations: geometric discs in all channels."""
    return replace(key, diffraction=False, spherical_mm=0.0, colour_mm=(0.0, 0.0, 0.0))


@dataclass(frozen=True, eq=False)
class Band:
    """The basis for one range of blur radii.

    Parameters
    ----------
    low_px, high_px : float
        Range of blur radii it covers, fades included.
    scale : int
        Picture pixels merged per side.
    weights : array (K, n)
        a_k over blur radius, ``n`` steps from 0 to ``high_px``.
    spectra : array (K, 3, m)
        B_k of each channel over radial frequency, 0 to sqrt(1/2) cycles per merged pixel.
    reach_px : int
        How far its light spreads, picture pixels.
    disc_px : float
        Radius of its widest blur disc.
    side : {1, -1, 0}
        For which sign of the blur radius it is: + behind the plane of focus. Where blur is the
        same on both sides all radii are +. The band of a single radius takes all there is, 0.
    """

    low_px: float
    high_px: float
    scale: int
    weights: Floats
    spectra: Floats
    reach_px: int
    disc_px: float
    side: int = 1

    @property
    def rank(self) -> int:
        """Number of products."""
        return len(self.weights)

    def index_at(self, radius_px: Floats) -> npt.NDArray[np.intp]:
        """Return the index into ``weights`` of each blur radius."""
        xp, last = namespace(radius_px), self.weights.shape[1] - 1
        index = radius_px * single(self.side * last / self.high_px)
        index += 0.5
        write("clip", index, 0, last, out=index)
        return xp.astype(index, xp.int64)  # type: ignore[no-any-return]

    def share_of(self, radius_px: Floats) -> Floats:
        """Return the band's share of the light at each blur radius; bands that meet share it to 1.

        It is no table, of which bands that meet would look up different steps.
        """
        xp = namespace(radius_px)
        if self.side == 0:
            return xp.ones(radius_px.shape, dtype=xp.float32)  # type: ignore[no-any-return]
        size = xp.abs(radius_px)
        share = 1 - _fade_in(size, self.high_px / FADE)
        share *= _fade_in(size, self.low_px)
        share *= xp.astype(self.on_side(radius_px), xp.float32)
        return share

    def on_side(self, radius_px: Floats) -> npt.NDArray[np.bool_]:
        """Return where a blur radius has this band's sign; 0 counts as +."""
        if self.side == 0:
            xp = namespace(radius_px)
            return xp.ones(radius_px.shape, dtype=xp.bool)  # type: ignore[no-any-return]
        return radius_px >= 0 if self.side > 0 else radius_px < 0

    def holds(self, radius_px: Floats) -> npt.NDArray[np.bool_]:
        """Return where a blur radius is in this band, fades included."""
        size = namespace(radius_px).abs(radius_px)
        return self.on_side(radius_px) & (size >= self.low_px) & (size < self.high_px)

    def spectra_for(self, shape: tuple[int, int], seen: int = 1, xp: Any = np) -> Floats:
        """Return B_k on the grid of a real FFT of that shape, (K, 3, rows, cols // 2 + 1).

        They are those of kernels that end at the band's reach, so that what a tile shows does not
        depend on what lies farther off. On merged pixels they undo what merging takes.

        Parameters
        ----------
        shape : (rows, cols)
        seen : int
            Picture pixels per side of the view's samples.
        xp : module
            Namespace of the device.
        """
        return kernel_spectra(self, shape, seen, xp)


@lru_cache(maxsize=12)
def kernel_spectra(band: Band, shape: tuple[int, int], seen: int, xp: Any) -> Floats:
    """Return what `Band.spectra_for` does; the last ones are kept."""
    kernels = kept(_kernels(band, seen), xp)
    rows, cols = (np.arange(length // 2 + 1) / length for length in shape)
    down, across = (sent(_cosines(f, kernels.shape[-1]), xp) for f in (rows, cols))
    half = down @ kernels @ across.T
    # The other half of the rows is the mirror of the first.
    mirror = half[:, :, (shape[0] - 1) // 2 : 0 : -1, :]
    return xp.concat([half, mirror], axis=2)  # type: ignore[no-any-return]


def _cosines(frequency: npt.NDArray, length: int) -> Floats:
    """Return the transform of one side of an even kernel, (frequencies, length)."""
    wave = 2 * np.cos(2 * np.pi * np.outer(frequency, np.arange(length)))
    wave[:, 0] = 1
    return wave.astype(np.float32)


@lru_cache(maxsize=128)
def _kernels(band: Band, seen: int) -> Floats:
    """Return one quarter of each product's kernel, middle first, (K, 3, n, n)."""
    side = -(-band.reach_px // band.scale)
    length = max(_LEAST_KERNEL, 4 * side)
    frequency = np.hypot(np.fft.fftfreq(length)[:, None], np.fft.rfftfreq(length))
    place = frequency * ((band.spectra.shape[-1] - 1) / _FINEST_CY_PER_PX)
    low = np.minimum(place.astype(np.intp), band.spectra.shape[-1] - 2)
    share = place - low
    spectra = band.spectra[..., low] * (1 - share) + band.spectra[..., low + 1] * share
    spectra *= compensation((length, length), band.scale, seen)
    whole = np.fft.irfft2(spectra, s=(length, length))[..., :side, :side]
    radius = np.hypot(*np.indices((side, side)))
    return ended(whole, spectra[..., 0, 0], radius, (band.disc_px / band.scale + 1, side))


def ended(
    kernels: npt.NDArray,
    light: npt.NDArray,
    radius: npt.NDArray,
    fade: tuple[float, float],
    *,
    quarter: bool = True,
) -> Floats:
    """Return kernels that fade to nothing toward their end, the light they lose laid all over.

    Parameters
    ----------
    kernels : array (..., rows, cols)
    light : array (...)
        The sum that each of them must have.
    radius : array (rows, cols)
        Distance from the kernel's middle, samples.
    fade : (start, end)
        Radii between which they fade.
    quarter : bool
        Whether they are one quarter of even kernels, middle first.
    """
    start, end = max(fade[0], _FADES_FROM * fade[1]), fade[1]
    t = np.clip((end - radius) / max(end - start, 1e-6), 0, 1)
    window = t * t * (3 - 2 * t)
    count = np.full(radius.shape, 4.0 if quarter else 1.0)
    if quarter:
        count[0] /= 2
        count[:, 0] /= 2
    faded_out = kernels * window
    lost = light - (faded_out * count).sum(axis=(-2, -1))
    veil = window / (window * count).sum()
    return (faded_out + lost[..., None, None] * veil).astype(np.float32)


def compensation(shape: tuple[int, int], scale: int, seen: int) -> npt.NDArray:
    """Return what undoes the contrast taken by merging and doubling, on the grid of a real FFT.

    A view's samples are means of ``seen`` pixels a side, merged to ``scale`` and doubled to 1.
    Toward the finest that merged pixels can hold it fades to nothing: what little light is left
    there would come out as ripples of that period around a highlight.
    """
    if scale == 1:
        return np.ones((1, 1))
    axes = []
    for f in (np.fft.fftfreq(shape[0]), np.fft.rfftfreq(shape[1])):
        fade = np.clip((0.5 - np.abs(f)) / (0.5 - _COARSE_FADES_FROM), 0, 1)
        kept = fade * fade * (3 - 2 * fade)
        taken = boxing_transfer(f * seen / scale, seen) * doubling_transfer(f, scale // seen)
        axes.append(kept / (taken * doubling_transfer(f, scale)))
    return np.outer(axes[0], axes[1])


@singledispatch
def bands_between(key: Any, low_px: float, high_px: float) -> list[Band]:
    """Return the bands that blur radii from ``low_px`` to ``high_px`` fall into.

    Radii are signed, + behind the plane of focus, where the blur differs between its sides.
    """
    raise TypeError(f"not a kind of blur: {key!r}")


@bands_between.register
def _(key: Optics, low_px: float, high_px: float) -> list[Band]:
    bands = []
    for side, least, most in ((1, low_px, high_px), (-1, -high_px, -low_px)):
        if most > 0 or (side > 0 and most == 0):
            first = band_number(max(least, 0.0) / FADE)
            bands += [_band(key, n, side) for n in range(first, band_number(most) + 1)]
    return bands


def band_number(radius_px: float) -> int:
    """Return the number of the band in which a blur radius is, without its fades."""
    return max(0, int(np.ceil(np.log2(max(radius_px, 1e-9) / _FIRST_EDGE_PX))))


def edges_px(number: int) -> tuple[float, float]:
    """Return the range of blur radii of a band, fades included."""
    low = 0.0 if number == 0 else _FIRST_EDGE_PX * 2.0 ** (number - 1)
    return low, _FIRST_EDGE_PX * 2.0**number * FADE


def scale_for(radius_px: float) -> int:
    """Return how many pixels may be merged per side where all blur is at least this wide."""
    return int(2 ** max(0, np.floor(np.log2(max(radius_px, 1e-9) / _RADIUS_PER_MERGED_PIXEL))))


@table(most=64)
def _band(key: Optics, number: int, side: int) -> Band:
    low, high = edges_px(number)
    scale = scale_for(low)
    frequency = np.linspace(0, _FINEST_CY_PER_PX, _samples_for(high / scale))
    radius = np.linspace(low, high, _DEFOCUS_SAMPLES)
    exact = _transfer(key, frequency / scale, side * radius)
    products, spectra = _factored(exact, frequency / scale, key.tolerance)
    return Band(
        low_px=low,
        high_px=high,
        scale=scale,
        weights=tabulated(products, radius),
        spectra=_resampled(spectra, frequency),
        reach_px=int(np.ceil(high)) + key.diffraction_margin_px + _soft_px(scale),
        disc_px=high,
        side=side,
    )


@singledispatch
def exact_band(key: Any, radius_px: float) -> Band:
    """Return the band of a single blur radius: one product, with no error of a basis."""
    raise TypeError(f"not a kind of blur: {key!r}")


@exact_band.register
def _(key: Optics, radius_px: float) -> Band:
    size = abs(radius_px)
    scale = scale_for(edges_px(band_number(size))[0])
    frequency = np.linspace(0, _FINEST_CY_PER_PX, _samples_for(size / scale))
    exact = _transfer(key, frequency / scale, np.array([radius_px]))
    return Band(
        low_px=0.0,
        high_px=size + 1.0,
        scale=scale,
        weights=np.ones((1, 2), np.float32),
        spectra=_resampled(exact[None, :, :, 0], frequency),
        # Not less than in a band, so that as much of the diffraction is within.
        reach_px=int(np.ceil(max(size, _FIRST_EDGE_PX * FADE)))
        + key.diffraction_margin_px
        + _soft_px(scale),
        disc_px=size,
        side=0,
    )


def _soft_px(scale: int) -> int:
    return 0 if scale == 1 else _SOFT * scale


def view_scale(radius_px: float) -> int:
    """Return the scale at which a part may be seen whose blur is nowhere less than this."""
    return scale_for(edges_px(band_number(radius_px / FADE))[0])


@singledispatch
def reach_px(key: Any, radius_px: float) -> int:
    """Return how far from a point light may go in any band of a blur radius, px."""
    raise TypeError(f"not a kind of blur: {key!r}")


@reach_px.register
def _(key: Optics, radius_px: float) -> int:
    return widest_reach_px(radius_px) + key.diffraction_margin_px


def widest_reach_px(radius_px: float) -> int:
    """Return how far the disc of any band goes that a blur radius is in, merging counted in."""
    low, high = edges_px(band_number(radius_px))
    scale = scale_for(low)
    return int(np.ceil(high)) + (0 if scale == 1 else (4 + _SOFT) * scale)


def _samples_for(radius_px: float) -> int:
    # The transfer function of a disc of radius r swings 2 r times per cycle per pixel; 16
    # samples a swing let a cubic through them.
    return int(64 + 24 * radius_px)


def _transfer(key: Optics, frequency: npt.NDArray, radius_px: npt.NDArray) -> npt.NDArray:
    """Transfer function of each channel, (3, frequencies, radii); frequency in cycles per px."""
    channels = [
        _channel(key, frequency, radius_px / key.radius_px_per_defocus_mm + shift, wavelengths)
        for shift, wavelengths in zip(key.colour_mm, key.wavelengths_um, strict=True)
    ]
    return np.stack(channels)


def _channel(
    key: Optics,
    frequency: npt.NDArray,
    defocus_mm: npt.NDArray,
    wavelengths_um: tuple[float, ...],
) -> npt.NDArray:
    if not key.diffraction:
        radius_px = np.abs(defocus_mm) * key.radius_px_per_defocus_mm
        return transfer.disc_otf(frequency[:, None], 2.0 * radius_px[None, :])
    waves = []
    for wavelength in wavelengths_um:
        per_wave = wavelength * key.working_f_number / key.pitch_um
        reduced = np.minimum(2.0 * frequency * per_wave, transfer.CUT_OFF)[:, None]
        defocus = defocus_mm[None, :] * 1e3 / wavelength
        if key.spherical_mm == 0:
            waves.append(transfer.defocus_otf(reduced, defocus))
        else:
            waves.append(_aberrated(reduced, defocus, key.spherical_mm * 1e3 / wavelength))
    return np.mean(waves, axis=0)


def _aberrated(reduced: npt.NDArray, defocus: npt.NDArray, spherical: float) -> npt.NDArray:
    """Interpolate the costly transfer of an aberrated pupil from a coarser grid of both."""
    if defocus.size == 1:
        return aberrated_otf(reduced, defocus, spherical_waves=spherical)
    f = np.linspace(reduced[0, 0], reduced[-1, 0], max(_COARSE, len(reduced) // 2))
    w = np.linspace(defocus[0, 0], defocus[0, -1], _COARSE)
    coarse = aberrated_otf(f[:, None], w[None, :], spherical_waves=spherical)
    backward = w[-1] < w[0]
    if backward:
        w, coarse, defocus = w[::-1], coarse[:, ::-1], defocus[:, ::-1]
    fine = RectBivariateSpline(f, w, coarse)(reduced[:, 0], defocus[0])
    return fine[:, ::-1] if backward else fine


def _factored(
    exact: npt.NDArray, frequency: npt.NDArray, tolerance: float
) -> tuple[npt.NDArray, npt.NDArray]:
    """Split (3, frequencies, radii) into weights (K, radii) and spectra (K, 3, frequencies).

    Pictures hold less the finer it gets: edges and natural textures fall as 1/f. So beyond a low
    frequency an error may grow as f, and counts as much in the picture.
    """
    channels, frequencies, radii = exact.shape
    importance = np.minimum(1.0, _FULL_WEIGHT_CY_PER_PX / np.maximum(frequency, 1e-9))[:, None]
    matrix = (exact * importance).reshape(channels * frequencies, radii)
    # One product carries the light of all radii, the others none: so energy is kept.
    first = matrix.mean(axis=1)
    left, values, right = np.linalg.svd(matrix - first[:, None], full_matrices=False)
    for rank in range(len(values) + 1):
        rest = (left[:, :rank] * values[:rank]) @ right[:rank] + first[:, None] - matrix
        if np.abs(rest).max() <= tolerance:
            break
    products = np.concatenate([np.ones((1, radii)), right[:rank]])
    spectra = np.concatenate([first[None], (left[:, :rank] * values[:rank]).T])
    return products, spectra.reshape(rank + 1, channels, frequencies) / importance[:, 0]


def tabulated(products: npt.NDArray, radius: npt.NDArray) -> Floats:
    """Return the weights of a band over _TABLE steps of blur radius, held below its lowest."""
    at = np.maximum(np.linspace(0, radius[-1], _TABLE), radius[0])
    return np.stack([CubicSpline(radius, row)(at) for row in products]).astype(np.float32)


def _fade_in(radius: Floats, edge: float) -> Floats:
    if edge == 0.0:
        return namespace(radius).ones_like(radius)  # type: ignore[no-any-return]
    t = clip((radius * single(1 / edge) - 1) * single(1 / (FADE - 1)), 0, 1)
    return t * t * (3 - 2 * t)  # type: ignore[no-any-return]


def _resampled(spectra: npt.NDArray, frequency: npt.NDArray) -> Floats:
    fine = np.linspace(0, frequency[-1], _FREQUENCIES)
    return CubicSpline(frequency, spectra, axis=-1)(fine).astype(np.float32)
