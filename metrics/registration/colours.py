"""Whether a result has the colours of its reference at all: grey pictures, exchanged channels."""

from __future__ import annotations

import math
from itertools import permutations

import numpy as np
import numpy.typing as npt

from ...ground.srgb import LUMA
from ...ground.types import Doubles
from ..checks import as_mask, mean_over, unit_image
from ..image.pair import ImagePair
from ..record import Metric

#: Mean square of the colour planes, of an encoded picture 0..1, below which a picture is grey:
#: its channels are apart by less than five levels of 255.
_NO_COLOUR = 4e-4
#: With its channels in another order a picture is nearer by this factor in mean square error
#: (6 dB): no blur, noise or cast does that.
_PLAINLY_NEARER = 4.0
_ENOUGH_PIXELS = 50_000  # of a larger picture every second, third ... row and column is looked at
_ORDERS = tuple(permutations(range(3)))


def colour_kept(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> float:
    """How much of the reference's colour is in the result, beside its brightness.

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W) or (H, W, 3), sRGB-encoded, finite. A plane counts as grey.
    data_range : float
        The value of white in both.
    mask : array_like, optional
        Pixels to score.

    Returns
    -------
    float
        1: all of it; 0: a grey picture; below 0: other colours, as of exchanged channels. Slope of
        the result's differences from its luma on the reference's, over the same slope of luma:
        a picture that is darker as a whole keeps its colour. NaN where the reference is grey.
    """
    pair = ImagePair(result, reference, data_range=data_range)
    inside = as_mask(mask, pair.size)
    if pair.reference.ndim == 2:
        return math.nan
    own, wanted = pair.luma
    energy, product = 0.0, 0.0
    for channel in range(3):
        colour = pair.reference[..., channel] - wanted
        energy += mean_over(colour * colour, inside) / 3
        product += mean_over((pair.result[..., channel] - own) * colour, inside) / 3
    light = mean_over(own * wanted, inside)
    if not energy > _NO_COLOUR or not light > 0:
        return math.nan
    return product / energy * mean_over(wanted * wanted, inside) / light


def colourfulness(
    image: npt.ArrayLike, *, data_range: float, mask: npt.ArrayLike | None = None
) -> float:
    """RMS of an sRGB-encoded picture's colour over that of its brightness, >= 0; 0 for a grey one.

    Parameters
    ----------
    image : array_like
        Shape (H, W) or (H, W, 3), finite.
    data_range : float
        The value of white.
    mask : array_like, optional
        Pixels to go by. NaN where they are none, or black.
    """
    values = unit_image(image, data_range=data_range, name="image")
    inside = as_mask(mask, values.shape)
    shown = values[inside]
    plane = shown @ LUMA if values.ndim == 3 else shown
    light = float(np.mean(np.square(plane), dtype=np.float64)) if plane.size else 0.0
    if not light > 0:
        return math.nan
    if values.ndim == 2:
        return 0.0
    colour = float(np.mean(np.square(shown - plane[:, None]), dtype=np.float64))
    return math.sqrt(colour / light)


def exchanged_channels(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> tuple[int, ...] | None:
    """Return the order of the result's channels that plainly is the reference's.

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W, 3), sRGB-encoded, finite.
    data_range : float
        The value of white in both.
    mask : array_like, optional
        Pixels to go by.

    Returns
    -------
    tuple of int, or None
        ``(2, 1, 0)`` where ``result[..., (2, 1, 0)]`` is nearer to the reference by 6 dB or more
        than the result as it is; None where no other order is so near.
    """
    pair = ImagePair(result, reference, data_range=data_range)
    inside = as_mask(mask, pair.size)
    if pair.reference.ndim == 2:
        return None
    step = max(1, math.isqrt(inside.size // _ENOUGH_PIXELS))
    thin = (slice(None, None, step),) * 2
    if not inside[thin].any():
        return None
    own, wanted = (each[thin][inside[thin]].astype(float) for each in (pair.result, pair.reference))
    distance = _distances(own, wanted)
    errors = [float(sum(distance[order[c], c] for c in range(3))) for order in _ORDERS]
    best = int(np.argmin(errors))
    if errors[0] <= _PLAINLY_NEARER * errors[best]:
        return None
    return _ORDERS[best]


def _distances(result: Doubles, reference: Doubles) -> Doubles:
    """Mean square difference of each channel of the result to each of the reference, (3, 3)."""
    own, wanted = (np.square(image).sum(axis=0) for image in (result, reference))
    return np.asarray(own[:, None] + wanted[None] - 2.0 * (result.T @ reference)) / len(result)


METRICS = (
    Metric(
        name="colour_kept",
        title="colour kept",
        group="tone",
        direction="nearest",
        best=1.0,
        range=(-math.inf, math.inf),
        function=colour_kept,
        needs=("data_range",),
        reference="ours",
        undefined="the reference is grey",
    ),
)
