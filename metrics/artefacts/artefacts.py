"""What a photographer sees wrong in a stack: smear, flicker; halo, ghost and invented detail too.

Each is proven, in the tests, to answer to its own fault and not to the others'.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from ...ground.srgb import decode_srgb, luma
from ...ground.types import Bools, Doubles, Floats
from ..checks import as_mask, mean_over
from ..image.pair import ImagePair
from ..record import Metric
from ..shading import block_means, fit_shading, shading
from . import ghost, halo, invented

PATCH_PX = 16
_DARK = 0.005  # linear light below which a gain cannot be read
_EVEN_STOPS = 0.05  # by which the quarters of a patch may differ and still have one gain
_EVEN_SHARE = 0.25  # or this share of its gain
_SAME_TEXTURE = 0.95  # correlation of the high bands of a patch that only its gain has changed
_TEXTURED = 1e-4  # mean square of the band from which texture can be compared
_TEXTURE_SIGMA_PX = 1.0  # noise is smoothed out of the band first
_ORIENTATION_SIGMA_PX = 2.0
_SLOPE_SIGMA_PX = 1.0
_KEPT_ACROSS = 0.05
_BLURS_PX = (0.5, 0.8, 1.2, 1.6, 2.2, 3.0, 4.0)
_NO_SLOPE = 1e-8  # mean square per px^2


def smear(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> float:
    """Detail lost along fibres over what was kept across them, 0 (none) to 1 (all).

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W) or (H, W, 3), sRGB-encoded, finite.
    data_range : float
        The value of white in both.
    mask : array_like, optional
        Pixels of the fibres.

    Returns
    -------
    float
        1 - (slope kept along) / (slope expected), cut to 0..1. A slope kept is the regression of
        the result's luma slope on the reference's, along or across the direction of the
        reference's structure tensor; expected is what a blur that is the same all round would
        keep along the fibres when it keeps as much across them as the result does. So plain blur
        gives 0. NaN if there is no slope along the fibres, or less than 5 % is kept across.
    """
    pair = ImagePair(result, reference, data_range=data_range)
    inside = as_mask(mask, pair.size)
    own, wanted = pair.luma
    slopes = _slopes(wanted)
    angle = _across_angle(*slopes)
    wanted_slopes = _turned(slopes, angle)
    across, along = _kept(_turned(_slopes(own), angle), wanted_slopes, inside)
    if not across > _KEPT_ACROSS:
        return math.nan
    expected = _expected_along(across, wanted, wanted_slopes, angle, inside)
    return min(1.0, max(0.0, 1.0 - along / expected))


def flicker_stops(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> float:
    """RMS of the gain of patches about its smooth trend, stops.

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W) or (H, W, 3), sRGB-encoded, finite.
    data_range : float
        The value of white in both.
    mask : array_like, optional
        Pixels to score.

    Returns
    -------
    float
        Over patches of 16 px that have one gain: the four quarters agree, and the texture, where
        there is any, is still the reference's. The trend is a quadratic surface: exposure and
        shading are no flicker.
        NaN if no patch can be read.
    """
    pair = ImagePair(result, reference, data_range=data_range)
    inside = as_mask(mask, pair.size)
    light = [luma(decode_srgb(image)) for image in (pair.result, pair.reference)]
    gain, even = _patch_gains(light[0], light[1], inside)
    readable = even & _same_texture(*pair.high_band)
    if not readable.any():
        return math.nan
    trend = shading(fit_shading(gain, readable), gain.shape)
    return math.sqrt(float(np.mean((gain - trend)[readable] ** 2)))


def _slopes(plane: Floats) -> tuple[Floats, Floats]:
    """Differentiate the plane along x and y, a little smoothed."""
    along_x = gaussian_filter(plane, _SLOPE_SIGMA_PX, order=(0, 1))
    return along_x, gaussian_filter(plane, _SLOPE_SIGMA_PX, order=(1, 0))


def _across_angle(slope_x: Floats, slope_y: Floats) -> Floats:
    """Angle from x of the direction in which the picture changes most, radians."""
    xx, yy, xy = (
        gaussian_filter(product, _ORIENTATION_SIGMA_PX)
        for product in (slope_x * slope_x, slope_y * slope_y, slope_x * slope_y)
    )
    return np.asarray(0.5 * np.arctan2(2.0 * xy, xx - yy), dtype=np.float32)


def _turned(slopes: tuple[Floats, Floats], angle: Floats) -> list[Floats]:
    """Turn slopes along x and y into slopes across and along the fibres."""
    cosine, sine = np.cos(angle), np.sin(angle)
    return [slopes[0] * cosine + slopes[1] * sine, slopes[1] * cosine - slopes[0] * sine]


def _kept(result: list[Floats], reference: list[Floats], inside: Bools) -> list[float]:
    """Regression of each slope of the result on the reference's; NaN if there is none."""
    shares = []
    for own, wanted in zip(result, reference, strict=True):
        energy = mean_over(wanted * wanted, inside)
        product = mean_over(own * wanted, inside)
        shares.append(product / energy if energy > _NO_SLOPE else math.nan)
    return shares


def _expected_along(
    across: float,
    plane: Floats,
    slopes: list[Floats],
    angle: Floats,
    inside: Bools,
) -> float:
    """Slope kept along the fibres by the round blur that keeps so much across them."""
    before = [1.0, 1.0]
    for sigma_px in _BLURS_PX:
        after = _kept(_turned(_slopes(gaussian_filter(plane, sigma_px)), angle), slopes, inside)
        if after[0] <= across:
            # A sharpened result keeps more than all: nothing was to be lost.
            part = min(1.0, (before[0] - across) / max(before[0] - after[0], 1e-12))
            return before[1] + max(0.0, part) * (after[1] - before[1])
        before = after
    return before[1]


def _patch_gains(
    result: Floats, reference: Floats, inside: Bools
) -> tuple[Doubles, npt.NDArray[np.bool_]]:
    """Gain of each patch in stops, and whether its quarters agree on it."""
    rows, columns = (size // PATCH_PX * PATCH_PX for size in inside.shape)
    planes = (inside.astype(np.float32), result * inside, reference * inside)
    share, *sums = (block_means(plane[:rows, :columns], PATCH_PX // 2) for plane in planes)
    lit = (share == 1.0) & (sums[0] > _DARK) & (sums[1] > _DARK)
    stops = np.log2(np.where(lit, sums[0], 1.0) / np.where(lit, sums[1], 1.0))
    quarters = np.stack([stops[i::2, j::2] for i in (0, 1) for j in (0, 1)])
    all_lit = np.stack([lit[i::2, j::2] for i in (0, 1) for j in (0, 1)]).all(axis=0)
    gain = quarters.mean(axis=0)
    spread = np.ptp(quarters, axis=0)
    return gain, all_lit & (spread <= np.maximum(_EVEN_STOPS, _EVEN_SHARE * np.abs(gain)))


def _same_texture(result: Floats, reference: Floats) -> npt.NDArray[np.bool_]:
    """Whether the high band of each patch is the reference's, or too faint to tell."""
    result, reference = (gaussian_filter(band, _TEXTURE_SIGMA_PX) for band in (result, reference))
    own, wanted, product = (
        block_means(plane, PATCH_PX)
        for plane in (result * result, reference * reference, result * reference)
    )
    return (wanted < _TEXTURED) | (product > _SAME_TEXTURE * np.sqrt(own * wanted))


METRICS = (
    *halo.METRICS,
    *ghost.METRICS,
    *invented.METRICS,
    Metric(
        name="smear",
        title="smear",
        group="artefact",
        direction="lower",
        best=0.0,
        range=(0.0, 1.0),
        function=smear,
        needs=("data_range",),
        reference="ours",
        undefined="no detail along the fibres, or nothing kept across",
    ),
    Metric(
        name="flicker_stops",
        title="flicker",
        group="artefact",
        unit="stops",
        direction="lower",
        best=0.0,
        range=(0.0, math.inf),
        function=flicker_stops,
        needs=("data_range",),
        reference="ours",
        undefined="no patch can be read",
    ),
)
