"""Exposure of a result against its reference: measured, and how much of it a viewer forgives."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from ...ground.srgb import decode_srgb, encode_srgb
from ...ground.types import Bools, Doubles, Floats
from ..checks import as_mask, require_same_shape, unit_image
from ..record import Metric
from ..shading import block_means

Curve = Callable[[npt.ArrayLike], Floats]

#: A picture so much darker or brighter than all its frames still counts as exposed like them,
#: stops. On a grey of half the scale it is a difference of 2.6 CIEDE2000: just seen side by side.
FORGIVEN_STOPS = 1 / 6
#: The same of one colour against the mean of the three, stops: 1.6 (red, blue) to 2.6 (green).
FORGIVEN_COLOUR_STOPS = 1 / 15
#: A picture whose brightness goes with a higher power of the light than this differs by its curve:
#: that is no gain, and nothing of it is forgiven. (Of a lower power blur may be the cause.)
FORGIVEN_EXPONENT = 1.07
_BLOCK_PX = 8
_SOFT_BLOCKS = 1.5
_ROUNDS = 8
_DARK, _BRIGHT = 0.01, 0.9  # linear light between which a block is trusted
_LEAST_SPREAD_STOPS = 0.25  # of brightness, standard deviation: with less no curve can be told
_LEAST_BLOCKS = 12
_LEAST_EXPONENT = 1e-3  # of a picture that is a negative
_SOFT_STOPS = 0.02  # below this a deviation counts by its square, above by its size


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """How a result is exposed against its reference.

    Parameters
    ----------
    needs_stops : tuple of float
        Per channel, what the result's light needs to be as bright as the reference, stops;
        positive where the result is darker.
    exponent : float
        Power of the reference's light that the result's brightness goes with; 1 where its curve
        is right, less by blur or haze, NaN where there is too little contrast to tell.
    forgiven_stops : tuple of float
        The part of the need that is forgiven, per channel.
    """

    needs_stops: tuple[float, ...]
    exponent: float
    forgiven_stops: tuple[float, ...]

    @property
    def gain_stops(self) -> float:
        """Mean need over the channels, stops."""
        return float(np.mean(self.needs_stops))

    @property
    def colour_stops(self) -> float:
        """Largest need of a channel beside the mean, stops, >= 0."""
        return float(np.max(np.abs(np.subtract(self.needs_stops, self.gain_stops))))

    @property
    def charged_stops(self) -> float:
        """Largest part of a channel's need that is not forgiven, stops, >= 0."""
        return float(np.max(np.abs(np.subtract(self.needs_stops, self.forgiven_stops))))

    @property
    def is_curved(self) -> bool:
        """Whether the result surely differs by its curve, not by a gain."""
        return self.exponent > FORGIVEN_EXPONENT


def exposure_of(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    frame_gains: npt.ArrayLike | None = None,
    decode: Curve = decode_srgb,
    mask: npt.ArrayLike | None = None,
) -> Exposure:
    """Measure the exposure of a result, and what of it is forgiven.

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W) or (H, W, 3), encoded, finite.
    data_range : float
        The value of white in both.
    frame_gains : array_like, optional
        Shape (frames, channels), > 0: light of each frame over the reference's. A result may be as
        bright as any of its frames. None: as bright as the reference.
    decode : callable
        Turns encoded values 0..1 into linear light; sRGB unless told.
    mask : array_like, optional
        Pixels to trust.

    Notes
    -----
    Beyond the frames' own range `FORGIVEN_STOPS` of the mean and `FORGIVEN_COLOUR_STOPS` of each
    channel beside it are forgiven; what is beyond stays in the picture and is scored as error. A
    wrong curve is forgiven nothing.
    """
    light, inside = _light_of(result, reference, data_range=data_range, decode=decode, mask=mask)
    return exposure_of_light(*light, frame_gains=frame_gains, mask=inside)


def exposure_of_light(
    result: Floats, reference: Floats, *, frame_gains: npt.ArrayLike | None = None, mask: Bools
) -> Exposure:
    """Measure the exposure of a result whose light is known already; see `exposure_of`.

    Parameters
    ----------
    result, reference : array of float32
        Shape (H, W) or (H, W, 3), linear light, 1 for white.
    frame_gains : array_like, optional
    mask : array of bool
        Shape (H, W): pixels to trust.
    """
    pairs = _block_pairs(result, reference, mask)
    stops = np.log2([_typical_ratio(*pair) for pair in pairs])
    needed = np.zeros((1, stops.size)) if frame_gains is None else _needs_of(frame_gains)
    found = Exposure(
        needs_stops=tuple(stops.tolist()),
        exponent=_exponent(pairs),
        forgiven_stops=tuple(_forgiven(stops, needed).tolist()),
    )
    return replace(found, forgiven_stops=(0.0,) * stops.size) if found.is_curved else found


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

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> true = 0.2 + 0.5 * rng.random((64, 64, 3))
    >>> darker = apply_gain(true, 0.5)
    >>> fit_gain(darker, true, data_range=1.0).round(2).tolist()
    [2.0, 2.0, 2.0]
    """
    light, inside = _light_of(result, reference, data_range=data_range, decode=decode, mask=mask)
    return np.array([_typical_ratio(*pair) for pair in _block_pairs(*light, inside)])


def gain_stops(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> float:
    """Light that an sRGB-encoded result needs to be as bright as its reference, stops.

    Positive where it is too dark; the mean over channels of `fit_gain`, and 0 where there is
    nothing to go by.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> true = 0.2 + 0.5 * rng.random((64, 64, 3))
    >>> round(gain_stops(apply_gain(true, 0.5), true, data_range=1.0), 2)
    1.0
    """
    gain = fit_gain(result, reference, data_range=data_range, mask=mask)
    return float(np.log2(gain).mean())


def tone_exponent(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> float:
    """Power of the reference's light that the brightness of an sRGB-encoded result goes with.

    1: its curve is right; about 2.2: linear light was taken for sRGB. NaN where the picture has
    too little contrast to tell.
    """
    return exposure_of(result, reference, data_range=data_range, mask=mask).exponent


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


def _forgiven(stops: Doubles, needed: Doubles) -> Doubles:
    """Cut a need per channel to what the frames needed, and a little beyond."""
    mean, frames_mean = stops.mean(), needed.mean(axis=1)
    level = np.clip(mean, frames_mean.min() - FORGIVEN_STOPS, frames_mean.max() + FORGIVEN_STOPS)
    colour, frames_colour = stops - mean, needed - frames_mean[:, None]
    low, high = frames_colour.min(axis=0), frames_colour.max(axis=0)
    cut = np.clip(colour, low - FORGIVEN_COLOUR_STOPS, high + FORGIVEN_COLOUR_STOPS)
    return np.asarray(level + cut)


def _needs_of(frame_gains: npt.ArrayLike) -> Doubles:
    gains = np.asarray(frame_gains, dtype=np.float64)
    if gains.ndim != 2 or gains.size == 0 or not (np.isfinite(gains) & (gains > 0)).all():
        raise ValueError(
            f"frame_gains must be positive, of shape (frames, channels), got shape {gains.shape}"
        )
    return -np.log2(gains)


def _light_of(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    decode: Curve,
    mask: npt.ArrayLike | None,
) -> tuple[tuple[Floats, Floats], Bools]:
    """Check two pictures and a mask, and decode the pictures."""
    first = unit_image(result, data_range=data_range, name="result")
    second = unit_image(reference, data_range=data_range, name="reference")
    require_same_shape(result=first, reference=second)
    return (decode(first), decode(second)), as_mask(mask, first.shape)


def _block_pairs(result: Floats, reference: Floats, mask: Bools) -> list[tuple[Doubles, Doubles]]:
    """Softened block means of the light of both pictures, channel by channel, where trusted."""
    trusted = mask.astype(np.float32)
    block = min(_BLOCK_PX, *trusted.shape)
    weight = _softened(trusted, block)
    light = [np.atleast_3d(image) for image in (result, reference)]
    softened = [
        [_softened(each[..., channel] * trusted, block) for each in light]
        for channel in range(light[0].shape[2])
    ]
    return [_trusted(own, wanted, weight) for own, wanted in softened]


def _softened(plane: Floats, block: int) -> Doubles:
    """Block means, softened over three blocks: beside that the blur of a result is nothing."""
    return gaussian_filter(block_means(plane, block), _SOFT_BLOCKS)


def _trusted(result: Doubles, reference: Doubles, weight: Doubles) -> tuple[Doubles, Doubles]:
    """Return the blocks that are mostly inside, and neither near black nor near saturation."""
    darker, brighter = np.minimum(result, reference), np.maximum(result, reference)
    use: Bools = (weight > 0.5) & (darker > _DARK * weight) & (brighter < _BRIGHT * weight)
    return result[use], reference[use]


def _typical_ratio(result: Doubles, reference: Doubles) -> float:
    """Take the ratio of blocks: the median, then Tukey's mean about it, by brightness."""
    if not result.size:
        return 1.0
    stops = np.log2(reference / result)
    say = np.sqrt(reference * result)  # alike in both, or blur would take sides
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


def _exponent(pairs: list[tuple[Doubles, Doubles]]) -> float:
    """Slope of the result's brightness on the reference's, both in stops, by least deviation."""
    say = np.concatenate([np.sqrt(own * wanted) for own, wanted in pairs])
    # About each channel's own level: a cast of colour is no curve.
    own, wanted = (np.concatenate([_about_level(pair)[side] for pair in pairs]) for side in (0, 1))
    if own.size < _LEAST_BLOCKS or wanted.std() < _LEAST_SPREAD_STOPS:
        return math.nan
    slope, weight = 1.0, say
    for _ in range(_ROUNDS):
        slope = float((weight * own * wanted).sum() / (weight * wanted * wanted).sum())
        weight = say / np.maximum(np.abs(own - slope * wanted), _SOFT_STOPS)
    return max(slope, _LEAST_EXPONENT)


def _about_level(pair: tuple[Doubles, Doubles]) -> tuple[Doubles, Doubles]:
    """Brightness of one channel's blocks in both pictures about its level, stops."""
    own, wanted = np.log2(pair)
    if not own.size:
        return own, wanted
    say = np.sqrt(pair[0] * pair[1])
    return own - np.average(own, weights=say), wanted - np.average(wanted, weights=say)


METRICS = (
    Metric(
        name="gain_stops",
        title="light needed",
        group="tone",
        unit="stops",
        direction="nearest",
        best=0.0,
        range=(-math.inf, math.inf),
        function=gain_stops,
        needs=("data_range",),
        reference="ours",
    ),
    Metric(
        name="tone_exponent",
        title="exponent of the curve",
        group="tone",
        direction="nearest",
        best=1.0,
        range=(0.0, math.inf),
        function=tone_exponent,
        needs=("data_range",),
        reference="ours",
        undefined="too little contrast to tell",
    ),
)
