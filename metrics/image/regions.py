"""Regions of a picture: where to score."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from ...ground.srgb import luma
from ...ground.types import Bools
from ..checks import as_mask, unit_image
from .pair import high_band

EVERYWHERE = "valid"
TEXTURE_SIGMA_PX = 4.0
TEXTURE_CONTRAST = 0.01  # RMS of the high band, share of the encoded range: 2.5 levels of 255


def textured_and_smooth(
    ideal: npt.ArrayLike,
    *,
    data_range: float,
    contrast: float = TEXTURE_CONTRAST,
    mask: npt.ArrayLike | None = None,
) -> tuple[Bools, Bools]:
    """Split a picture into where there is fine detail to show and where there is none.

    Parameters
    ----------
    ideal : array_like
        The all-in-focus picture, sRGB-encoded, (H, W) or (H, W, 3).
    data_range : float
        The value of white.
    contrast : float
        Least RMS of the high band of luma within about 10 px, share of the range. Below half of
        it a pixel is smooth; between the two it is neither.
    mask : array_like, optional
        Pixels to split; those outside are in neither region.

    Returns
    -------
    textured, smooth : array of bool
        Shape (H, W), never both true.
    """
    if not contrast > 0:
        raise ValueError(f"contrast must be positive, got {contrast!r}")
    detail = high_band(luma(unit_image(ideal, data_range=data_range, name="ideal")))
    inside = as_mask(mask, detail.shape)
    rms = np.sqrt(gaussian_filter(detail * detail, TEXTURE_SIGMA_PX))
    return inside & (rms >= contrast), inside & (rms < 0.5 * contrast)


def within(masks: Mapping[str, npt.ArrayLike], limit: npt.ArrayLike) -> dict[str, Bools]:
    """All masks cut to a limit, such as the part of a result that has a value.

    Parameters
    ----------
    masks : mapping of str to array_like
        Region name to boolean mask (H, W).
    limit : array_like
        Boolean mask (H, W).
    """
    bounds = np.asarray(limit)
    bounds = as_mask(bounds, bounds.shape)
    return {name: as_mask(mask, bounds.shape) & bounds for name, mask in masks.items()}


def shares(masks: Mapping[str, npt.ArrayLike]) -> dict[str, float]:
    """Share of the picture that each region takes."""
    return {name: float(np.mean(np.asarray(mask, dtype=bool))) for name, mask in masks.items()}
