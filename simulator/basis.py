"""Low-rank bases of the defocused transfer function, one for each band of blur radii.

Within a sheet the blur changes from pixel to pixel. A transfer function of frequency f and defocus
w is a short sum over products, OTF(f, w) = sum_k a_k(w) B_k(f), so that a sheet of picture q and
defocus map w is blurred by a few Fourier transforms: sum_k IFFT(FFT(a_k(w) q) B_k). Wide blur
carries no fine detail, so wide bands work on merged pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from simulator import optics, transfer
from simulator.rig import Rig

Floats = npt.NDArray[np.float32]

#: Blur radii, in picture pixels, at which a band ends and the next takes over.
_FIRST_EDGE_PX = 4.0
#: A band fades out, and the next in, over this ratio of radii.
_FADE = 1.25
#: Merged pixels per side never exceed this share of a band's smallest blur radius.
_RADIUS_PER_MERGED_PIXEL = 4.0
#: Up to this frequency the whole tolerance of a basis counts; beyond, in proportion more.
_FULL_WEIGHT_CY_PER_PX = 0.06
#: A lens that passes less than this is sharp enough for one sample of a texture per pixel.
_ALIAS_CY_PER_PX = 0.7
_FREQUENCIES = 8192
_DEFOCUS_SAMPLES = 80
_TABLE = 16384
_FINEST_CY_PER_PX = np.sqrt(0.5)


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
    """

    working_f_number: float
    pitch_um: float
    wavelengths_um: tuple[tuple[float, ...], ...]
    diffraction: bool = True
    tolerance: float = 1e-3

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
        if not self.diffraction:
            return 8
        longest = max(max(channel) for channel in self.wavelengths_um)
        return int(np.ceil(5 * 1.22 * longest * self.working_f_number / self.pitch_um)) + 2


def optics_of(rig: Rig, *, pitch_um: float, diffraction: bool = True) -> Optics:
    """Return the key of a rig's blur at a picture's pixel pitch."""
    return Optics(
        working_f_number=optics.rig_f_number(rig),
        pitch_um=pitch_um,
        wavelengths_um=rig.wavelengths_um,
        diffraction=diffraction,
    )


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
        a_k over blur radius, ``n`` steps from 0 to ``high_px``; the fades are in it.
    spectra : array (K, 3, m)
        B_k of each channel over radial frequency, 0 to sqrt(1/2) cycles per merged pixel.
    reach_px : int
        How far its light spreads, picture pixels.
    """

    low_px: float
    high_px: float
    scale: int
    weights: Floats
    spectra: Floats
    reach_px: int

    @property
    def rank(self) -> int:
        """Number of products."""
        return len(self.weights)

    def weights_at(self, radius_px: Floats) -> npt.NDArray[np.int32]:
        """Return the index into ``weights`` of each blur radius."""
        last = self.weights.shape[1] - 1
        index = (radius_px * np.float32(last / self.high_px) + np.float32(0.5)).astype(np.int32)
        return np.minimum(index, last, out=index)

    def spectra_for(self, shape: tuple[int, int]) -> Floats:
        """Return B_k on the grid of a real FFT of that shape, (K, 3, rows, cols // 2 + 1)."""
        return _gathered(self, shape)


@lru_cache(maxsize=12)
def _gathered(band: Band, shape: tuple[int, int]) -> Floats:
    return np.take(band.spectra, _radial_index(shape, band.spectra.shape[-1]), axis=-1)


@lru_cache(maxsize=48)
def _radial_index(shape: tuple[int, int], entries: int) -> npt.NDArray[np.int32]:
    down = np.fft.fftfreq(shape[0]).astype(np.float32)[:, None]
    across = np.fft.rfftfreq(shape[1]).astype(np.float32)[None, :]
    radial = np.hypot(down, across) * np.float32((entries - 1) / _FINEST_CY_PER_PX)
    return np.minimum(radial + np.float32(0.5), entries - 1).astype(np.int32)


def bands_between(key: Optics, low_px: float, high_px: float) -> list[Band]:
    """Return the bands that blur radii from ``low_px`` to ``high_px`` fall into."""
    first = _band_number(low_px / _FADE)
    return [_band(key, number) for number in range(first, _band_number(high_px) + 1)]


def _band_number(radius_px: float) -> int:
    return max(0, int(np.ceil(np.log2(max(radius_px, 1e-9) / _FIRST_EDGE_PX))))


def scale_for(radius_px: float) -> int:
    """Return how many pixels may be merged per side where all blur is at least this wide."""
    return int(2 ** max(0, np.floor(np.log2(max(radius_px, 1e-9) / _RADIUS_PER_MERGED_PIXEL))))


@lru_cache(maxsize=64)
def _band(key: Optics, number: int) -> Band:
    low = 0.0 if number == 0 else _FIRST_EDGE_PX * 2.0 ** (number - 1)
    high = _FIRST_EDGE_PX * 2.0**number * _FADE
    scale = scale_for(low)
    frequency = np.linspace(0, _FINEST_CY_PER_PX, _samples_for(high / scale))
    radius = np.linspace(low, high, _DEFOCUS_SAMPLES)
    exact = _transfer(key, frequency / scale, radius)
    products, spectra = _factored(exact, frequency / scale, key.tolerance)
    return Band(
        low_px=low,
        high_px=high,
        scale=scale,
        weights=_tabulated(products, radius, low=low, high=high),
        spectra=_resampled(spectra, frequency),
        reach_px=_reach_px(key, high),
    )


def exact_band(key: Optics, radius_px: float) -> Band:
    """Return the band of a single blur radius: one product, with no error of a basis."""
    scale = scale_for(_FIRST_EDGE_PX * 2.0 ** (_band_number(radius_px) - 1))
    frequency = np.linspace(0, _FINEST_CY_PER_PX, _samples_for(radius_px / scale))
    exact = _transfer(key, frequency / scale, np.array([radius_px]))
    return Band(
        low_px=0.0,
        high_px=radius_px + 1.0,
        scale=scale,
        weights=np.ones((1, 2), np.float32),
        spectra=_resampled(exact[None, :, :, 0], frequency),
        reach_px=_reach_px(key, radius_px),
    )


def view_scale(key: Optics, radius_px: float) -> int:
    """Return the scale at which a part may be seen whose blur is nowhere less than this."""
    return bands_between(key, radius_px, radius_px)[0].scale


def _reach_px(key: Optics, radius_px: float) -> int:
    return int(np.ceil(radius_px)) + key.diffraction_margin_px


def _samples_for(radius_px: float) -> int:
    # The transfer function of a disc of radius r swings 2 r times per cycle per pixel; 16
    # samples a swing let a cubic through them.
    return int(64 + 24 * radius_px)


def _transfer(key: Optics, frequency: npt.NDArray, radius_px: npt.NDArray) -> npt.NDArray:
    """Transfer function of each channel, (3, frequencies, radii); frequency in cycles per px."""
    if not key.diffraction:
        disc = transfer.disc_otf(frequency[:, None], 2.0 * radius_px[None, :])
        return np.broadcast_to(disc, (3, *disc.shape))
    defocus_um = radius_px / key.radius_px_per_defocus_mm * 1e3
    per_um = frequency / key.pitch_um
    channels = []
    for wavelengths in key.wavelengths_um:
        waves = [
            transfer.defocus_otf(
                np.minimum(2.0 * per_um * wavelength * key.working_f_number, 2.0)[:, None],
                (defocus_um / wavelength)[None, :],
            )
            for wavelength in wavelengths
        ]
        channels.append(np.mean(waves, axis=0))
    return np.stack(channels)


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
    left, values, right = np.linalg.svd(matrix, full_matrices=False)
    for rank in range(1, len(values) + 1):
        error = np.abs((left[:, :rank] * values[:rank]) @ right[:rank] - matrix).max()
        if error <= tolerance:
            break
    spectra = (left[:, :rank] * values[:rank]).T.reshape(rank, channels, frequencies)
    return right[:rank], spectra / importance[:, 0]


def _tabulated(products: npt.NDArray, radius: npt.NDArray, *, low: float, high: float) -> Floats:
    at = np.linspace(0, high, _TABLE)
    inside = np.clip(at, low, high)
    table = np.stack([CubicSpline(radius, row)(inside) for row in products])
    table *= _fade_in(at, low) * (1.0 - _fade_in(at, high / _FADE))
    return table.astype(np.float32)


def _fade_in(radius: npt.NDArray, edge: float) -> npt.NDArray:
    if edge == 0.0:
        return np.ones_like(radius)
    t = np.clip((radius / edge - 1.0) / (_FADE - 1.0), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def _resampled(spectra: npt.NDArray, frequency: npt.NDArray) -> Floats:
    fine = np.linspace(0, frequency[-1], _FREQUENCIES)
    return CubicSpline(frequency, spectra, axis=-1)(fine).astype(np.float32)
