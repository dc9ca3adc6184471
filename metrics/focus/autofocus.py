"""Focus of a whole frame as one number: the measures of the autofocus literature.

Sources: the 18 functions of Sun, Duthaler and Nelson (Microsc. Res. Tech. 65, 139, 2004); Groen,
Young and Ligthart (Cytometry 6, 81, 1985); Firestone and others (Cytometry 12, 195, 1991); Vollath
(J. Microscopy 147, 279, 1987); Krotkov (Int. J. Computer Vision 1, 223, 1988); Brenner and others
(J. Histochem. Cytochem. 24, 100, 1976); Subbarao and Tyan (IEEE Trans. Pattern Analysis 20, 864,
1998); Huang and Jing (Pattern Recognition Letters 28, 493, 2007). Sums over the frame are written
as means, so that frames of different size compare.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft

from ...ground.types import Doubles, Reals
from .filters import COLUMNS, ROWS, sobel
from .laplacian import laplacian, modified_laplacian
from .measure import as_grey
from .statistics import quantised
from .wavelet import details

_AXES = (ROWS, COLUMNS)


@dataclass(frozen=True, slots=True)
class FrameMeasure:
    """A focus measure of the whole frame; call it with a frame.

    Parameters
    ----------
    name : str
    family : str
        'gradient', 'laplacian', 'wavelet', 'statistics', 'correlation', 'histogram' or 'spectrum'.
    reference : str
    function : callable
        ``function(frames, **options)``, (n, rows, columns) to (n,).
    """

    name: str
    family: str
    reference: str
    function: Callable[..., Doubles]

    def __call__(self, image: npt.ArrayLike, **options: Any) -> float | Doubles:
        """Focus value of a frame, or of each frame of a stack.

        Parameters
        ----------
        image : array_like (rows, columns) or (n, rows, columns)
            Grey image, as in `metrics.focus.measure.Measure`; 3 pixels or more either way.
        **options
            Threshold or the like, see the function.

        Returns
        -------
        float or array (n,)
            Larger is sharper.
        """
        frames = as_grey(image)
        if min(frames.shape[-2:]) < 3:
            raise ValueError(f"image must have 3 pixels or more either way, got {frames.shape}")
        if frames.ndim == 2:
            return float(self.function(frames[None], **options)[0])
        return np.array([self.function(frame[None], **options)[0] for frame in frames])


def _mean(values: Reals) -> Doubles:
    return values.mean(axis=_AXES, dtype=np.float64)


def _inner(values: Reals) -> Reals:
    """Leave out the border of one pixel, where a 3 x 3 mask would look outside."""
    return values[..., 1:-1, 1:-1]


def _kept(values: Reals, threshold: float) -> Reals:
    return np.where(values >= threshold, values, 0.0)


def absolute_gradient(frames: Reals, *, threshold: float = 0.0) -> Doubles:
    """Horizontal differences of at least the threshold."""
    return _mean(_kept(np.abs(np.diff(frames, axis=COLUMNS)), threshold))


def squared_gradient(frames: Reals, *, threshold: float = 0.0) -> Doubles:
    """Squared horizontal differences of at least the threshold."""
    return _mean(_kept(np.abs(np.diff(frames, axis=COLUMNS)), threshold) ** 2)


def modulus_difference(frames: Reals) -> Doubles:
    """Absolute differences along both axes."""
    return sum((_mean(np.abs(np.diff(frames, axis=axis))) for axis in _AXES), np.zeros(1))


def gradient_energy(frames: Reals) -> Doubles:
    """Squared differences along both axes."""
    return sum((_mean(np.diff(frames, axis=axis) ** 2) for axis in _AXES), np.zeros(1))


def spatial_frequency(frames: Reals) -> Doubles:
    """Root of the squared differences along both axes."""
    return np.sqrt(gradient_energy(frames))


def brenner(frames: Reals, *, threshold: float = 0.0) -> Doubles:
    """Squared differences of pixels two apart, where they reach the threshold."""
    difference = np.abs(frames[..., 2:] - frames[..., :-2])
    return _mean(_kept(difference, threshold) ** 2)


def tenengrad(frames: Reals, *, threshold: float = 0.0) -> Doubles:
    """Squared Sobel gradient where its length reaches the threshold."""
    right, down = sobel(frames)
    return _mean(_inner(_kept(np.hypot(right, down), threshold) ** 2))


def laplacian_energy(frames: Reals, *, mask: str = "full") -> Doubles:
    """Squared Laplacian; the mask as in `metrics.focus.laplacian`."""
    return _mean(_inner(laplacian(frames, mask=mask) ** 2))


def laplacian_sum(frames: Reals, *, step: int = 1, threshold: float = 0.0) -> Doubles:
    """Second differences along both axes, without cancelling (modified Laplacian)."""
    values = modified_laplacian(frames, step=step, threshold=threshold)
    return _mean(values[..., step:-step, step:-step])


def wavelet_sum(frames: Reals) -> Doubles:
    """Absolute detail coefficients of level 1."""
    return sum((_mean(np.abs(band)) for band in details(frames)), np.zeros(1))


def wavelet_energy(frames: Reals) -> Doubles:
    """Squared detail coefficients of level 1."""
    return sum((_mean(band**2) for band in details(frames)), np.zeros(1))


def wavelet_variance(frames: Reals) -> Doubles:
    """Variance of the detail coefficients of level 1, summed over the bands."""
    bands = details(frames)
    return sum((band.var(axis=_AXES, dtype=np.float64) for band in bands), np.zeros(1))


def variance(frames: Reals) -> Doubles:
    """Variance of the greys."""
    return frames.var(axis=_AXES, dtype=np.float64)


def normalised_variance(frames: Reals) -> Doubles:
    """Variance over mean; 0 for a frame without light."""
    mean = _mean(frames)
    return np.divide(variance(frames), mean, out=np.zeros_like(mean), where=mean > 0.0)


def vollath_f4(frames: Reals) -> Doubles:
    """Autocorrelation one pixel apart less that two apart: 0 for white noise."""
    here, near, far = frames[..., :-2], frames[..., 1:-1], frames[..., 2:]
    return _mean(here * (near - far))


def vollath_f5(frames: Reals) -> Doubles:
    """Autocorrelation one pixel apart less the squared mean."""
    level = _mean(frames)[:, None, None]
    centred = frames - level
    return _mean(centred[..., :-1] * centred[..., 1:])


def grey_range(frames: Reals) -> Doubles:
    """Largest less smallest grey."""
    return np.ptp(frames, axis=_AXES).astype(np.float64)


def entropy(frames: Reals, *, levels: int = 256, data_range: float = 1.0) -> Doubles:
    """Entropy of the histogram, in bits."""
    values = []
    for frame in quantised(frames, levels=levels, data_range=data_range):
        share = np.bincount(frame.ravel(), minlength=levels) / frame.size
        share = share[share > 0.0]
        values.append(-np.sum(share * np.log2(share)))
    return np.array(values)


def thresholded_content(frames: Reals, *, threshold: float = 0.5) -> Doubles:
    """Sum of the greys from the threshold on: light gathers in small bright spots."""
    return _mean(_kept(frames, threshold))


def thresholded_count(frames: Reals, *, threshold: float = 0.5) -> Doubles:
    """Share of the pixels below the threshold."""
    return _mean((frames < threshold).astype(np.float32))


def image_power(frames: Reals, *, threshold: float = 0.0) -> Doubles:
    """Squared greys from the threshold on."""
    return _mean(_kept(frames, threshold) ** 2)


def high_pass_energy(frames: Reals, *, cut_off: float = 0.125) -> Doubles:
    """Power of the spectrum from a radius on, in cycles per pixel, under a Hann window."""
    radius, power = _spectrum(frames)
    return np.sum(power * (radius >= cut_off), axis=_AXES)


def log_spectral_moment(frames: Reals) -> Doubles:
    """Log of the power spectrum weighted by radius: where the energy sits, not how much it is."""
    radius, power = _spectrum(frames)
    return np.sum(radius * np.log1p(power * frames[0].size), axis=_AXES) / np.sum(radius)


def _spectrum(frames: Reals) -> tuple[Doubles, Doubles]:
    """Radius in cycles per pixel, and power that sums to the mean square under a Hann window."""
    rows, columns = frames.shape[-2:]
    window = np.outer(np.hanning(rows + 2)[1:-1], np.hanning(columns + 2)[1:-1])
    window /= np.sqrt(np.mean(window**2))
    centred = (frames - _mean(frames)[:, None, None]) * window
    power = np.abs(fft.fft2(centred)) ** 2 / frames[0].size ** 2
    return np.hypot(fft.fftfreq(rows)[:, None], fft.fftfreq(columns)[None, :]), power


_SUN = "Sun et al. 2004"

WHOLE_FRAME: dict[str, FrameMeasure] = {
    function.__name__: FrameMeasure(function.__name__, family, reference, function)
    for function, family, reference in (
        (absolute_gradient, "gradient", "Santos et al. 1997"),
        (squared_gradient, "gradient", "Groen et al. 1985"),
        (modulus_difference, "gradient", "Krotkov 1988"),
        (gradient_energy, "gradient", "Subbarao and Tyan 1998"),
        (spatial_frequency, "gradient", "Huang and Jing 2007"),
        (brenner, "gradient", "Brenner et al. 1976"),
        (tenengrad, "gradient", "Krotkov 1988"),
        (laplacian_energy, "laplacian", "Subbarao and Tyan 1998"),
        (laplacian_sum, "laplacian", "Nayar and Nakagawa 1994"),
        (wavelet_sum, "wavelet", _SUN),
        (wavelet_energy, "wavelet", _SUN),
        (wavelet_variance, "wavelet", _SUN),
        (variance, "statistics", "Groen et al. 1985"),
        (normalised_variance, "statistics", "Groen et al. 1985"),
        (vollath_f4, "correlation", "Vollath 1987"),
        (vollath_f5, "correlation", "Vollath 1987"),
        (grey_range, "histogram", "Firestone et al. 1991"),
        (entropy, "histogram", "Firestone et al. 1991"),
        (thresholded_content, "histogram", _SUN),
        (thresholded_count, "histogram", _SUN),
        (image_power, "histogram", _SUN),
        (high_pass_energy, "spectrum", "Krotkov 1988"),
        (log_spectral_moment, "spectrum", "Firestone et al. 1991"),
    )
}
