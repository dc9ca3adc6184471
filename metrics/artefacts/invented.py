"""Invented detail: what is as fine as the pixels can hold and is not the scene's.

A lens blurs, a method sharpens, shifts and doubles a little: all of that is some filter of the true
picture. In every tile the finest band of the result is explained, by least squares, as a filter of
the true picture; what no such filter gives, beyond the noise of the frames, was invented. That asks
for no cut-off of the lens, so it holds at any size of pixel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from ...ground.srgb import decode_srgb, luma
from ...ground.types import Bools, Doubles, Floats
from ..checks import as_mask, mean_over, require_same_shape, unit_image
from ..image.pair import ImagePair
from ..record import Metric
from .ghost import tiles, untiled

TILE_PX = 12
#: The finest band is what a Gaussian of this sigma takes away: half of a pattern of five pixels.
_BAND_SIGMA_PX = 1.0
_NARROW_SIGMA_PX = 0.6
#: Orders of the derivatives (down, across) that stand for a shift and for a blur that is not round.
_DERIVATIVES = ((0, 1), (1, 0), (0, 2), (2, 0), (1, 1))
#: Share of white noise that the band passes: its kernel is a unit pulse less a Gaussian.
_PEAK = 1.0 / (2.0 * math.pi * _BAND_SIGMA_PX**2)
_WHITE_SHARE = 1.0 - 2.0 * _PEAK + 0.5 * _PEAK
_LEAST_SHARE = 0.5  # of a tile that must be inside for it to be judged
_NO_CONTRAST = 1e-10


def invented_detail(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    foreign: Sequence[npt.ArrayLike] = (),
    noise_rms: npt.ArrayLike = 0.0,
    mask: npt.ArrayLike | None = None,
) -> float:
    """RMS of invented detail over the contrast of the reference.

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W) or (H, W, 3), sRGB-encoded, finite.
    data_range : float
        The value of white in all of them.
    foreign : sequence of array_like
        Other pictures of the same shape that are true or have a score of their own, such as the
        subject's other poses: what of them is mixed into the result was not invented.
    noise_rms : array_like
        Standard deviation of white noise in the result's luma, one value or shape (H, W), linear
        light as a share of white: noise is no detail, and its mean square is left out.
    mask : array_like, optional
        Pixels to score. Tiles of 12 px of which less than half is inside are left out.

    Returns
    -------
    float
        Of luma in linear light, where blur is a filter; white detail counts with its own RMS. NaN
        if no tile is left, or the reference has no contrast.
    """
    pair = ImagePair(result, reference, data_range=data_range)
    inside = as_mask(mask, pair.size)
    noise = np.broadcast_to(np.asarray(noise_rms, dtype=np.float32), pair.size)
    if not (np.isfinite(noise) & (noise >= 0)).all():
        raise ValueError(f"noise_rms must be >= 0 and finite, got {noise_rms!r}")
    light = [luma(decode_srgb(image)) for image in (pair.result, pair.reference)]
    contrast = float(np.var(light[1][inside], dtype=np.float64)) if inside.any() else 0.0
    others = [_light_of(each, pair, data_range, f"foreign[{k}]") for k, each in enumerate(foreign)]
    energy, weight = _unexplained(light[0], light[1], others, inside)
    total = float(weight.sum())
    if contrast < _NO_CONTRAST or total == 0.0:
        return math.nan
    found = float((energy * weight).sum()) / total - mean_over(np.square(noise), inside)
    return math.sqrt(max(0.0, found) / contrast)


def invented_map(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> Floats:
    """RMS of what no filter of the reference explains, tile by tile: where detail was invented.

    Parameters are those of `invented_detail`.

    Returns
    -------
    array of float32
        Shape (H, W), linear light as a share of white, noise and all; NaN where not judged.
    """
    pair = ImagePair(result, reference, data_range=data_range)
    light = [luma(decode_srgb(image)) for image in (pair.result, pair.reference)]
    energy, weight = _unexplained(light[0], light[1], [], as_mask(mask, pair.size))
    level = np.where(weight > 0, np.sqrt(energy), np.nan)
    flat = np.broadcast_to(level[:, None], (level.size, TILE_PX * TILE_PX))
    return untiled(flat.astype(np.float32), pair.size, TILE_PX)


def _light_of(image: npt.ArrayLike, pair: ImagePair, data_range: float, name: str) -> Floats:
    plane = luma(decode_srgb(unit_image(image, data_range=data_range, name=name)))
    require_same_shape(**{"result": pair.luma[0], name: plane})
    return plane


def _unexplained(
    result: Floats, reference: Floats, foreign: Sequence[Floats], inside: Bools
) -> tuple[Doubles, Doubles]:
    """Mean square per tile that no filter of the reference explains, and the tile's pixels.

    A tile that is not judged has no pixels.
    """
    explaining = _filtered(reference) + [_band(plane - reference) for plane in foreign]
    inner = tiles(inside.astype(np.float32), TILE_PX)
    terms = np.stack([tiles(plane, TILE_PX) for plane in explaining], axis=1) * inner[:, None]
    target = tiles(_band(result - reference), TILE_PX) * inner
    normal = (terms @ terms.swapaxes(1, 2)).astype(np.float64)
    right = (terms @ target[..., None])[..., 0].astype(np.float64)
    diagonal = np.einsum("tii->ti", normal)
    # A trace on the diagonal, so that a flat tile can be solved.
    normal += np.einsum("ti,ij->tij", 1e-6 * diagonal + 1e-9, np.eye(len(explaining)))
    fit = np.linalg.solve(normal, right[..., None])[..., 0]
    left = np.square(target).sum(axis=1, dtype=np.float64) - (fit * right).sum(axis=1)
    pixels = inner.sum(axis=1, dtype=np.float64)
    judged = pixels >= _LEAST_SHARE * TILE_PX**2
    energy = np.maximum(left, 0.0) / np.maximum(pixels, 1.0) / _WHITE_SHARE
    return np.where(judged, energy, 0.0), np.where(judged, pixels, 0.0)


def _filtered(plane: Floats) -> list[Floats]:
    """Filter the true picture as blur, sharpening and a shift do, each to first order."""
    slopes = [gaussian_filter(plane, _BAND_SIGMA_PX, order=order) for order in _DERIVATIVES]
    return [_band(plane), plane - gaussian_filter(plane, _NARROW_SIGMA_PX), *slopes]


def _band(plane: Floats) -> Floats:
    return plane - gaussian_filter(plane, _BAND_SIGMA_PX)


METRICS = (
    Metric(
        name="invented_detail",
        title="invented detail",
        group="artefact",
        direction="lower",
        best=0.0,
        range=(0.0, math.inf),
        function=invented_detail,
        needs=("data_range",),
        reference="ours",
        undefined="there is no contrast",
    ),
)
