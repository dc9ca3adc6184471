"""How near an image is to its reference: error, structure, colour, sharpness, noise.

Every metric takes a result and a reference of the same shape, (H, W) or (H, W, 3), sRGB-encoded,
of any real type, with `data_range` the value of white in both, and a boolean `mask` (H, W) of the
pixels to score (None means all). Values must be finite, or ValueError says so. An empty mask gives
NaN. `score_image` computes all of them over many masks at a fraction of the cost.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np
import numpy.typing as npt

from ...ground.types import Bools
from ..checks import as_mask, mean_over
from ..record import Metric, chosen
from . import structure
from .pair import HIGH_BAND_SIGMA_PX, ImagePair
from .stated import image_metric

_NO_DETAIL = 1e-10  # mean square of luma 0..1; half a level of 8 bits squared is 4e-6
# Share of white noise the high band passes: its kernel is a unit pulse less a Gaussian.
_GAUSSIAN_PEAK = 1.0 / (2.0 * math.pi * HIGH_BAND_SIGMA_PX**2)
_WHITE_NOISE_SHARE = math.sqrt(1.0 - 2.0 * _GAUSSIAN_PEAK + 0.5 * _GAUSSIAN_PEAK)
_NO_REFERENCE_DETAIL = "the reference has no detail here"


@image_metric(
    title="PSNR",
    unit="dB",
    direction="higher",
    best=math.inf,
    range=(-math.inf, math.inf),
    reference="10 log10(range^2 / mean square error), e.g. Wang & Bovik 2009",
)
def psnr_db(pair: ImagePair, mask: Bools) -> float:
    """Peak signal-to-noise ratio over all channels, dB; infinite for identical images.

    Notes
    -----
    10 log10 of the square of white over the mean square error.

    Examples
    --------
    >>> import stacktruth
    >>> grey, lighter = np.full((4, 4), 100), np.full((4, 4), 110)
    >>> round(stacktruth.metrics.psnr_db(lighter, grey, data_range=255), 2)
    28.13
    """
    error = mean_over(pair.square_error, mask)
    return math.inf if error == 0.0 else -10.0 * math.log10(error)


@image_metric(
    title="SSIM",
    direction="higher",
    best=1.0,
    range=(-1.0, 1.0),
    reference="Wang et al., IEEE Trans. Image Process. 13, 600 (2004)",
    undefined="all of it lies within 5 px of the border",
)
def ssim(pair: ImagePair, mask: Bools) -> float:
    """Structural similarity, the mean over channels, -1..1.

    Notes
    -----
    Wang et al., IEEE Trans. Image Process. 13, 600 (2004): Gaussian window of sigma 1.5 px cut at
    11 x 11, K1 = 0.01, K2 = 0.03, population moments. The map is averaged over the mask without a
    border of 5 px; a mask inside that border alone gives NaN. Windows of masked pixels reach
    outside the mask.

    Examples
    --------
    >>> import stacktruth
    >>> board = np.indices((32, 32)).sum(axis=0) % 2 * 255
    >>> float(stacktruth.metrics.ssim(board, board, data_range=255))
    1.0
    >>> bool(stacktruth.metrics.ssim(255 - board, board, data_range=255) < -0.9)
    True
    """
    return structure.ssim_mean(pair.ssim, mask)


@image_metric(
    title="multi-scale SSIM",
    direction="higher",
    best=1.0,
    range=(0.0, 1.0),
    reference="Wang, Simoncelli & Bovik, Asilomar Conf. Signals 2003",
    undefined="a side is below 176 px, or all of it lies near the border",
)
def multi_scale_ssim(pair: ImagePair, mask: Bools) -> float:
    """Multi-scale structural similarity of luma, 0..1; NaN if a side is below 176 px.

    Notes
    -----
    Wang, Simoncelli & Bovik, Asilomar 2003: five scales by halves, weights 0.0448, 0.2856, 0.3001,
    0.2363, 0.1333. Five scales of an 11 px window need 176 px. A negative mean counts as 0.

    Examples
    --------
    >>> true = np.random.default_rng(1).random((192, 192))
    >>> round(multi_scale_ssim(true, true, data_range=1.0), 6)
    1.0
    """
    if min(pair.size) < structure.MULTI_SCALE_MIN_PX:
        return math.nan
    return structure.multi_scale_mean(pair.multi_scale, mask)


@image_metric(
    title="colour difference",
    unit="Delta E 00",
    direction="lower",
    best=0.0,
    range=(0.0, math.inf),
    reference="Sharma, Wu & Dalal, Color Res. Appl. 30, 21 (2005)",
)
def ciede2000_mean(pair: ImagePair, mask: Bools) -> float:
    """Mean CIEDE2000 colour difference (Sharma, Wu & Dalal 2005); 1 is about just visible.

    Notes
    -----
    From sRGB by CIELAB, white at D65.

    Examples
    --------
    >>> import stacktruth
    >>> grey, greenish = np.full((4, 4, 3), 120), np.full((4, 4, 3), 120) + [0, 4, 0]
    >>> round(stacktruth.metrics.ciede2000_mean(greenish, grey, data_range=255), 1)
    3.7
    """
    return mean_over(pair.colour_difference, mask)


@image_metric(
    title="gradient error",
    unit="1/px",
    direction="lower",
    best=0.0,
    range=(0.0, math.inf),
    reference="after Rhemann et al., CVPR 2009",
)
def gradient_error(pair: ImagePair, mask: Bools) -> float:
    """RMS length of the difference of the two luma gradients, share of the range per pixel.

    Notes
    -----
    Gradients by derivatives of a Gaussian of sigma 1 px, after the gradient error of Rhemann et
    al., CVPR 2009 (from memory; there the sum over a matte).

    Examples
    --------
    >>> import stacktruth
    >>> rng = np.random.default_rng(1)
    >>> true = rng.random((48, 48)).astype(np.float32)
    >>> round(stacktruth.metrics.gradient_error(true, true, data_range=1.0), 3)
    0.0
    >>> stacktruth.metrics.gradient_error(0.5 * true, true, data_range=1.0) > 0.01
    True
    """
    return math.sqrt(mean_over(pair.gradient_square_error, mask))


@image_metric(
    title="gradient similarity",
    direction="higher",
    best=1.0,
    range=(0.0, 1.0),
    reference="Xue et al., IEEE Trans. Image Process. 23, 684 (2014)",
)
def gradient_similarity(pair: ImagePair, mask: Bools) -> float:
    """Mean similarity of gradient magnitudes of luma at half resolution, 0..1.

    Notes
    -----
    Xue, Zhang, Mou & Bovik, IEEE Trans. Image Process. 23, 684 (2014): Prewitt, constant 170 for a
    range of 255.
    """
    share = structure.halve(mask.astype(np.float32))
    total = float(share.sum(dtype=np.float64))
    if total == 0.0:
        return math.nan
    return float((pair.gradient_similarity * share).sum(dtype=np.float64)) / total


@image_metric(
    title="sharpness kept",
    direction="nearest",
    best=1.0,
    range=(0.0, math.inf),
    reference="ours",
    undefined=_NO_REFERENCE_DETAIL,
)
def sharpness_kept(pair: ImagePair, mask: Bools) -> float:
    """Energy of the result's high band over the reference's; NaN if the reference has none.

    Below 1 detail was lost; above 1 there is noise, sharpening or invented detail.

    Examples
    --------
    >>> true = np.random.default_rng(1).random((48, 48))
    >>> blurred = (true + np.roll(true, 1, axis=1)) / 2
    >>> sharpness_kept(blurred, true, data_range=1.0) < 0.9
    True
    """
    result, reference = (mean_over(band * band, mask) for band in pair.high_band)
    return result / reference if reference > _NO_DETAIL else math.nan


@image_metric(
    title="true detail kept",
    direction="nearest",
    best=1.0,
    range=(-math.inf, math.inf),
    reference="ours",
    undefined=_NO_REFERENCE_DETAIL,
)
def detail_kept(pair: ImagePair, mask: Bools) -> float:
    """How much of the reference's high band is in the result, in the right place.

    The slope of the result's high band on the reference's: noise does not raise it as it raises
    `sharpness_kept`. NaN if the reference has no detail.
    """
    result, reference = pair.high_band
    energy = mean_over(reference * reference, mask)
    return mean_over(result * reference, mask) / energy if energy > _NO_DETAIL else math.nan


@image_metric(
    title="noise left",
    direction="lower",
    best=0.0,
    range=(0.0, math.inf),
    reference="ours",
)
def noise_rms(pair: ImagePair, mask: Bools) -> float:
    """RMS of the high band of the luma error, share of the range.

    Over a smooth region this is the noise left: white noise gives its own standard deviation.
    """
    result, reference = pair.high_band
    error = result - reference
    return math.sqrt(mean_over(error * error, mask)) / _WHITE_NOISE_SHARE


#: What `score_image` computes.
PAIR_METRICS = (
    psnr_db,
    ssim,
    multi_scale_ssim,
    ciede2000_mean,
    gradient_error,
    gradient_similarity,
    sharpness_kept,
    detail_kept,
    noise_rms,
)


def noise_kept(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    frame_noise_rms: float,
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> float:
    """Noise left in a result over the noise of one frame, both by `noise_rms` on a smooth region.

    Averaging n frames gives 1 / sqrt(n); picking pixels gives 1. NaN if the frame has no noise.
    """
    if not frame_noise_rms >= 0:
        raise ValueError(f"frame_noise_rms must be >= 0, got {frame_noise_rms!r}")
    left = noise_rms(result, reference, data_range=data_range, mask=mask)
    return left / frame_noise_rms if frame_noise_rms > 0 else math.nan


def score_image(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    masks: Mapping[str, npt.ArrayLike],
    data_range: float,
    names: Iterable[str] | None = None,
) -> dict[str, dict[str, float]]:
    """All image metrics over all regions: maps are made once and averaged per mask.

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W) or (H, W, 3), sRGB-encoded, finite.
    masks : mapping of str to array_like
        Region name to boolean mask (H, W).
    data_range : float
        The value of white in both images.
    names : iterable of str, optional
        Metrics wanted; by default all of `PAIR_METRICS`.

    Returns
    -------
    dict
        ``scores[region][metric]``, equal to the single functions.

    Raises
    ------
    ValueError
        A name or a mask is not what it should be, or an image is not finite.

    Examples
    --------
    >>> grey = np.full((32, 32, 3), 0.5)
    >>> masks = {"left": np.arange(32) < 16 + np.zeros((32, 1))}
    >>> scores = score_image(grey + 0.1, grey, masks=masks, data_range=1.0, names=["psnr_db"])
    >>> round(scores["left"]["psnr_db"], 3)
    20.0
    """
    pair = ImagePair(result, reference, data_range=data_range)
    return score_pair(pair, masks=masks, names=names)


def score_pair(
    pair: ImagePair, *, masks: Mapping[str, npt.ArrayLike], names: Iterable[str] | None = None
) -> dict[str, dict[str, float]]:
    """Do what `score_image` does to two images whose maps are kept for other masks.

    Parameters
    ----------
    pair : ImagePair
    masks : mapping of str to array_like
        Region name to boolean mask (H, W).
    names : iterable of str, optional
        Metrics wanted; by default all of `PAIR_METRICS`.

    Examples
    --------
    >>> grey = np.full((32, 32, 3), 0.5)
    >>> pair = ImagePair(grey + 0.1, grey, data_range=1.0)
    >>> scores = score_pair(pair, masks={"all": np.ones((32, 32), bool)}, names=["psnr_db"])
    >>> round(scores["all"]["psnr_db"], 3)
    20.0
    """
    wanted = chosen(PAIR_METRICS, names)
    checked = {region: as_mask(mask, pair.size) for region, mask in masks.items()}
    return {
        region: {metric.record.name: metric.compute(pair, mask) for metric in wanted}
        for region, mask in checked.items()
    }


METRICS = (
    *(metric.record for metric in PAIR_METRICS),
    Metric(
        name="noise_kept",
        title="noise of one frame kept",
        group="image",
        direction="lower",
        best=0.0,
        range=(0.0, math.inf),
        function=noise_kept,
        needs=("data_range", "frame_noise_rms"),
        reference="ours",
        undefined="the frame has no noise",
    ),
)
