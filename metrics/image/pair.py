"""A result and its reference, and the maps their metrics share, each computed once."""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.ndimage import correlate1d, gaussian_filter, gaussian_filter1d

from ...ground.types import Floats
from .. import colour
from ..checks import require_same_shape
from . import structure
from .picture import Picture

GRADIENT_SIGMA_PX = 1.0
HIGH_BAND_SIGMA_PX = 2.0
_SIMILARITY_CONSTANT = 170.0 / 255.0**2  # Xue et al. 2014, for gradients of a picture 0..1


class ImagePair:
    """Two sRGB-encoded images of one shape, scaled to 0..1, with maps made when first asked for.

    Parameters
    ----------
    result, reference : array_like or Picture
        Shape (H, W) or (H, W, 3), finite. A `Picture` keeps what it needs for other pairs.
    data_range : float
        The value of white in both.
    """

    def __init__(
        self,
        result: npt.ArrayLike | Picture,
        reference: npt.ArrayLike | Picture,
        *,
        data_range: float,
    ) -> None:
        self._pictures = tuple(
            one if isinstance(one, Picture) else Picture(one, data_range=data_range, name=name)
            for one, name in ((result, "result"), (reference, "reference"))
        )
        self.result, self.reference = (picture.values for picture in self._pictures)
        require_same_shape(result=self.result, reference=self.reference)

    @property
    def size(self) -> tuple[int, int]:
        """Height and width in pixels."""
        height, width = self.result.shape[:2]
        return height, width

    @cached_property
    def square_error(self) -> Floats:
        """Squared difference, the mean over channels."""
        difference = self.result - self.reference
        difference *= difference
        return difference if difference.ndim == 2 else difference.mean(axis=2)

    @cached_property
    def ssim(self) -> Floats:
        """SSIM, the mean over channels."""
        first, second = (picture.local_means for picture in self._pictures)
        return structure.ssim_map(self.result, self.reference, means=(first, second))

    @cached_property
    def multi_scale(self) -> list[Floats]:
        """Maps of multi-scale SSIM of luma."""
        return structure.multi_scale_maps(*self.luma)

    @cached_property
    def colour_difference(self) -> Floats:
        """CIEDE2000."""
        first, second = (picture.lab for picture in self._pictures)
        return colour.lab_difference(first, second).astype(np.float32)

    @cached_property
    def luma(self) -> tuple[Floats, Floats]:
        """Luma of result and reference."""
        result, reference = (picture.luma for picture in self._pictures)
        return result, reference

    @cached_property
    def gradient_square_error(self) -> Floats:
        """Squared length of the difference of the two luma gradients, per px^2."""
        result, reference = self.luma
        difference = result - reference  # the derivative of a difference is enough
        total = np.zeros(self.size, dtype=np.float32)
        for axis, other in ((0, 1), (1, 0)):
            slope = gaussian_filter1d(difference, GRADIENT_SIGMA_PX, axis=axis, order=1)
            slope = gaussian_filter1d(slope, GRADIENT_SIGMA_PX, axis=other)
            total += slope * slope
        return total

    @cached_property
    def gradient_similarity(self) -> Floats:
        """Similarity of gradient magnitudes at half resolution, 0..1 (Xue et al. 2014)."""
        first, second = (_prewitt_magnitude(structure.halve(plane)) for plane in self.luma)
        constant = np.float32(_SIMILARITY_CONSTANT)
        return np.divide(2 * first * second + constant, first * first + second * second + constant)

    @cached_property
    def high_band(self) -> tuple[Floats, Floats]:
        """What a Gaussian blur takes away from the luma of result and reference."""
        result, reference = self.luma
        return high_band(result), high_band(reference)


def high_band(plane: Floats) -> Floats:
    """Take its Gaussian blur off a plane: what is left is the detail finer than a few pixels."""
    return plane - gaussian_filter(plane, HIGH_BAND_SIGMA_PX)


def _prewitt_magnitude(plane: Floats) -> Floats:
    total = np.zeros_like(plane)
    for axis, other in ((0, 1), (1, 0)):
        slope = correlate1d(plane, [1 / 3, 1 / 3, 1 / 3], axis=other, mode="nearest")
        slope = correlate1d(slope, [-1.0, 0.0, 1.0], axis=axis, mode="nearest")
        total += slope * slope
    return np.sqrt(total)
