"""Fusion metric through a model of the eye: contrast kept after a sensitivity filter."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from ...ground.types import Floats
from ..checks import mean_over
from .sources import Blend, Sources, fusion_metric

# Difference of Gaussians: two widths in cycles a degree, the share of the second.
_WIDTHS = (15.3870, 1.3456)
_SHARE = 0.7622
_PIXELS_PER_CYCLE_UNIT = 30.0
_EXPONENTS = (3.0, 2.0)
_FLOOR = 1e-4


@fusion_metric(
    "perceived contrast kept",
    "Chen and Blum, Image and Vision Computing 27, 1421 (2009)",
    range=(0.0, 1.0),
)
def chen_blum(sources: Sources) -> float:
    """Perceived contrast kept from the frames.

    Returns
    -------
    float
        0..1; 1 where every frame is the result.

    Notes
    -----
    Chen and Blum, Image and Vision Computing 27, 1421 (2009): contrast sensitivity as a difference
    of Gaussians, contrast between Gaussians of 2 and 4 pixels, contrast masking, and a mean of
    smaller over larger in which frames count by the square of their contrast. The sensitivity is
    scaled by the size of the image over 30.
    """
    sensitivity = _sensitivity(sources.fused.shape)
    whole = _masked_contrast(sources.fused, sensitivity)
    blend = Blend(sources.fused.shape)
    for frame in sources.frames():
        contrast = _masked_contrast(frame, sensitivity)
        larger = np.maximum(contrast, whole)
        kept = np.divide(
            np.minimum(contrast, whole), larger, out=np.ones_like(larger), where=larger > 0.0
        )
        blend.add(kept, contrast * contrast)
    return mean_over(blend.mean(), sources.mask)


def _sensitivity(shape: tuple[int, ...]) -> npt.NDArray[np.float64]:
    """Contrast sensitivity over the half spectrum of a plane."""
    rows, columns = shape
    down = 2.0 * fft.fftfreq(rows)[:, None] * rows / _PIXELS_PER_CYCLE_UNIT
    right = 2.0 * fft.rfftfreq(columns)[None, :] * columns / _PIXELS_PER_CYCLE_UNIT
    square = down**2 + right**2
    wide, narrow = (np.exp(-square / width**2) for width in _WIDTHS)
    return wide - _SHARE * narrow


def _masked_contrast(
    plane: Floats, sensitivity: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    seen = fft.irfft2(fft.rfft2(plane.astype(np.float64)) * sensitivity, plane.shape)
    fine, coarse = (ndimage.gaussian_filter(seen, s, mode="nearest", radius=15) for s in (2.0, 4.0))
    lit = np.abs(coarse) > 1e-12
    contrast = np.abs(np.divide(fine, coarse, out=np.ones_like(fine), where=lit) - 1.0)
    contrast[contrast < 1e-12] = 0.0
    high, low = _EXPONENTS
    return contrast**high / (contrast**low + _FLOOR)
