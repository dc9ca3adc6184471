"""Bring a result to its reference before comparing, and say what had to be removed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from ...ground.srgb import decode_srgb, encode_srgb
from ...ground.types import Bools, Doubles, Floats
from ..checks import as_mask, mean_over, require_same_shape, unit_image
from ..record import Metric
from ..shading import block_means
from .similarity import Similarity, fit_similarity, resample

Curve = Callable[[npt.ArrayLike], Floats]

MIN_RESIDUAL_PX = 0.02  # below this, resampling costs more than it mends
_BLOCK_PX = 8
_SOFT_BLOCKS = 1.5
_ROUNDS = 8
_DARK, _BRIGHT = 0.01, 0.9  # linear light between which a block is trusted


@dataclass(frozen=True, slots=True, kw_only=True)
class Registered:
    """A result brought to the geometry and the exposure of its reference.

    Parameters
    ----------
    image : array of float32
        The result, encoded, 0..1 of the range; same shape as given.
    inside : array of bool
        Shape (H, W): where the image has a value of its own.
    similarity : Similarity
        What was measured, removed or not.
    gain : tuple of float
        Per channel, what the result's linear light was measured to need, applied or not.
    moved, brightened : bool
        Whether the similarity and the gain were in fact removed.
    """

    image: Floats
    inside: Bools
    similarity: Similarity
    gain: tuple[float, ...]
    moved: bool
    brightened: bool

    @property
    def residual_px(self) -> float:
        """RMS displacement that was measured, px."""
        return self.similarity.residual_px(self.image.shape)

    @property
    def gain_stops(self) -> tuple[float, ...]:
        """The gains in stops."""
        return tuple(math.log2(gain) for gain in self.gain)


def fit_gain(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    decode: Curve = decode_srgb,
    mask: npt.ArrayLike | None = None,
) -> Doubles:
    """Gain per channel, in linear light, that brings a result to its reference.

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W) or (H, W, 3), encoded, finite.
    data_range : float
        The value of white in both.
    decode : callable
        Turns encoded values 0..1 into linear light; sRGB unless told.
    mask : array_like, optional
        Pixels to trust.

    Returns
    -------
    array of float64
        One gain per channel. Exactly 1 for equal images and where there is nothing to go by.

    Notes
    -----
    A robust mean (Tukey's biweight about the median) over blocks of 8 x 8 px of the ratio of block
    means, softened and weighted by brightness: blur and noise leave them alone, and a faulty part
    of the picture has no weight. Nor have blocks near black or saturation.
    """
    first = unit_image(result, data_range=data_range, name="result")
    second = unit_image(reference, data_range=data_range, name="reference")
    require_same_shape(result=first, reference=second)
    trusted = as_mask(mask, first.shape).astype(np.float32)
    block = min(_BLOCK_PX, *trusted.shape)
    weight = _softened(trusted, block)
    light = [np.atleast_3d(decode(image)) for image in (first, second)]
    return np.array(
        [
            _typical_ratio(
                _softened(light[0][..., channel] * trusted, block),
                _softened(light[1][..., channel] * trusted, block),
                weight,
            )
            for channel in range(light[0].shape[2])
        ]
    )


def apply_gain(
    image: npt.ArrayLike,
    gain: npt.ArrayLike,
    *,
    decode: Curve = decode_srgb,
    encode: Curve = encode_srgb,
) -> Floats:
    """Multiply the linear light of an encoded image 0..1 per channel, and cut at white."""
    light = decode(image) * np.asarray(gain, dtype=np.float32)
    return np.minimum(encode(light), np.float32(1.0))


def bring_to_reference(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    mask: npt.ArrayLike | None = None,
    decode: Curve = decode_srgb,
    encode: Curve = encode_srgb,
) -> Registered:
    """Measure a residual similarity and a gain per channel, and remove what is worth removing.

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W) or (H, W, 3), encoded, finite.
    data_range : float
        The value of white in both.
    mask : array_like, optional
        Pixels of the reference to go by.
    decode, encode : callable
        From encoded values 0..1 to linear light and back; sRGB unless told.

    Returns
    -------
    Registered
        A motion below 0.02 px is left in, and so is a motion or a gain whose removal would not
        lower the mean square error: the image is never made worse.
    """
    image = unit_image(result, data_range=data_range, name="result")
    target = unit_image(reference, data_range=data_range, name="reference")
    require_same_shape(result=image, reference=target)
    trusted = as_mask(mask, image.shape)
    similarity = fit_similarity(image, target, data_range=1.0, mask=trusted)
    image, inside, moved = _moved(image, target, similarity, trusted)
    gain = fit_gain(image, target, data_range=1.0, decode=decode, mask=trusted & inside)
    brighter = apply_gain(image, gain, decode=decode, encode=encode)
    brightened = _nearer(brighter, image, target, trusted & inside)
    return Registered(
        image=brighter if brightened else image,
        inside=inside,
        similarity=similarity,
        gain=tuple(float(value) for value in gain),
        moved=moved,
        brightened=brightened,
    )


def motion_error_px(
    motion_px: npt.ArrayLike, true_motion_px: npt.ArrayLike, *, mask: npt.ArrayLike | None = None
) -> float:
    """RMS distance between an estimated and a true motion field, px.

    Parameters
    ----------
    motion_px, true_motion_px : array_like
        Shape (H, W, 2): displacement (x, y) at each pixel. NaN in the truth is not scored.
    mask : array_like, optional
        Pixels to score.

    Raises
    ------
    ValueError
        Wrong shape, or an estimate that is not finite.

    Notes
    -----
    The end-point error of the optical-flow literature (Baker et al., IJCV 92, 1 (2011)), as RMS.
    """
    estimate = np.asarray(motion_px, dtype=np.float64)
    truth = np.asarray(true_motion_px, dtype=np.float64)
    if estimate.ndim != 3 or estimate.shape[2] != 2:
        raise ValueError(f"motion_px must have shape (H, W, 2), got {estimate.shape}")
    require_same_shape(motion_px=estimate, true_motion_px=truth)
    if not np.isfinite(estimate).all():
        raise ValueError("motion_px must be finite, got NaN or infinity")
    known = as_mask(mask, estimate.shape) & np.isfinite(truth).all(axis=2)
    return math.sqrt(mean_over(((estimate - truth) ** 2).sum(axis=2), known))


def _moved(
    image: Floats, target: Floats, similarity: Similarity, trusted: Bools
) -> tuple[Floats, Bools, bool]:
    everywhere = np.ones(image.shape[:2], dtype=bool)
    if similarity.residual_px(image.shape) < MIN_RESIDUAL_PX:
        return image, everywhere, False
    moved, inside = resample(image, similarity)
    np.clip(moved, 0.0, 1.0, out=moved)
    if not _nearer(moved, image, target, trusted & inside):
        return image, everywhere, False
    return moved, inside, True


def _nearer(first: Floats, second: Floats, target: Floats, mask: Bools) -> bool:
    """Whether the first image is strictly nearer to the target than the second."""
    errors = [np.square(image - target) for image in (first, second)]
    return mean_over(errors[0], mask) < mean_over(errors[1], mask)


def _softened(plane: Floats, block: int) -> Doubles:
    """Block means, softened over three blocks: beside that the blur of a result is nothing."""
    return gaussian_filter(block_means(plane, block), _SOFT_BLOCKS)


def _typical_ratio(result: Doubles, reference: Doubles, weight: Doubles) -> float:
    """Take the ratio of trusted blocks: the median, then Tukey's mean about it, by brightness."""
    darker, brighter = np.minimum(result, reference), np.maximum(result, reference)
    trusted = (weight > 0.5) & (darker > _DARK * weight) & (brighter < _BRIGHT * weight)
    if not trusted.any():
        return 1.0
    stops = np.log2(reference[trusted] / result[trusted])
    say = np.sqrt(reference[trusted] * result[trusted])  # alike in both, or blur would take sides
    order = np.argsort(stops)
    below = np.cumsum(say[order])
    middle = float(stops[order][np.searchsorted(below, 0.5 * below[-1])])
    for _ in range(_ROUNDS):
        away = stops - middle
        limit = 4.685 * 1.4826 * float(np.median(np.abs(away)))
        if limit == 0.0:
            break
        near = say * np.maximum(1.0 - (away / limit) ** 2, 0.0) ** 2
        middle += float((near * away).sum() / near.sum())
    return float(2.0**middle)


METRICS = (
    Metric(
        name="motion_error_px",
        title="alignment error",
        group="registration",
        unit="px",
        direction="lower",
        best=0.0,
        range=(0.0, math.inf),
        function=motion_error_px,
        reference="end-point error, Baker et al., IJCV 92, 1 (2011), as RMS",
    ),
)
