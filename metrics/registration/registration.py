"""Bring a result to its reference before comparing, and say what had to be removed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from ...ground.srgb import decode_srgb, encode_srgb
from ...ground.types import Bools, Floats
from ..checks import as_mask, mean_over, require_same_shape, unit_image
from ..record import Metric
from .gain import Curve, Exposure, apply_gain, exposure_of_light
from .similarity import Similarity, fit_similarity, resample

MIN_RESIDUAL_PX = 0.02  # below this, resampling costs more than it mends


@dataclass(frozen=True, slots=True, kw_only=True)
class Registered:
    """A result brought to the geometry and the exposure of its reference.

    Parameters
    ----------
    image : array of float32
        The result, encoded, 0..1 of the range; same shape as given.
    as_exposed : array of float32
        The same with the exposure that it was given: what a viewer sees.
    inside : array of bool
        Shape (H, W): where the image has a value of its own.
    similarity : Similarity
        What was measured, removed or not.
    exposure : Exposure
        What was measured, and how much of it is forgiven.
    moved, brightened : bool
        Whether the similarity and the forgiven gain were in fact removed.
    """

    image: Floats
    as_exposed: Floats
    inside: Bools
    similarity: Similarity
    exposure: Exposure
    moved: bool
    brightened: bool

    @property
    def residual_px(self) -> float:
        """RMS displacement that was measured, px."""
        return self.similarity.residual_px(self.image.shape)

    def evened(self) -> Floats:
        """Return the result with all the sRGB light it needs, forgiven or not."""
        return apply_gain(self.as_exposed, np.exp2(self.exposure.needs_stops))


def bring_to_reference(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    ideal: npt.ArrayLike | None = None,
    frame_gains: npt.ArrayLike | None = None,
    mask: npt.ArrayLike | None = None,
    decode: Curve = decode_srgb,
    encode: Curve = encode_srgb,
) -> Registered:
    """Measure a residual similarity and a gain per channel, and remove what is forgiven.

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W) or (H, W, 3), encoded, finite.
    data_range : float
        The value of white in both.
    ideal : array_like, optional
        The reference without its blur, same shape. Exposure is measured against the one that the
        result is nearer to, for blur takes some light from what is bright; and a motion must bring
        it nearer to that one: what repeats may fit a blurred reference better elsewhere.
    frame_gains : array_like, optional
        Light of the frames, which a result may be as bright as; see `exposure_of`.
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
    targets = [target]
    if ideal is not None:
        targets.append(unit_image(ideal, data_range=data_range, name="ideal"))
        require_same_shape(result=image, ideal=targets[1])
    image, inside, moved = _moved(image, targets, similarity, trusted)
    measure = partial(
        _exposed, image, decode(image), frame_gains=frame_gains, curves=(decode, encode)
    )
    found = (measure(each, mask=trusted & inside) for each in targets)
    best = min(found, key=lambda one: one.error)
    return Registered(
        image=best.image,
        as_exposed=image,
        inside=inside,
        similarity=similarity,
        exposure=best.exposure,
        moved=moved,
        brightened=best.brightened,
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
    image: Floats, targets: Sequence[Floats], similarity: Similarity, trusted: Bools
) -> tuple[Floats, Bools, bool]:
    """Remove a motion, unless the picture is then farther from what it is nearest to."""
    everywhere = np.ones(image.shape[:2], dtype=bool)
    if similarity.residual_px(image.shape) < MIN_RESIDUAL_PX:
        return image, everywhere, False
    moved, inside = resample(image, similarity)
    np.clip(moved, 0.0, 1.0, out=moved)
    errors = [
        min(mean_over(np.square(each - target), trusted & inside) for target in targets)
        for each in (moved, image)
    ]
    if not errors[0] < errors[1]:
        return image, everywhere, False
    return moved, inside, True


@dataclass(frozen=True, slots=True, kw_only=True)
class _Exposed:
    """A picture after the forgiven gain, if that brings it nearer, and its mean square error."""

    image: Floats
    exposure: Exposure
    brightened: bool
    error: float


def _exposed(
    image: Floats,
    light: Floats,
    target: Floats,
    *,
    frame_gains: npt.ArrayLike | None,
    curves: tuple[Curve, Curve],
    mask: Bools,
) -> _Exposed:
    decode, encode = curves
    exposure = exposure_of_light(light, decode(target), frame_gains=frame_gains, mask=mask)
    gain = np.exp2(exposure.forgiven_stops).astype(np.float32)
    brighter = np.minimum(encode(light * gain), np.float32(1.0))
    errors = [mean_over(np.square(each - target), mask) for each in (image, brighter)]
    brightened = errors[1] < errors[0]
    return _Exposed(
        image=brighter if brightened else image,
        exposure=exposure,
        brightened=brightened,
        error=min(errors),
    )


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
