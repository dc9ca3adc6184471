"""Ghost and see-through: another picture mixed into the result, tile by tile.

In every tile the error of the result is explained, by least squares, as a share of the foreign
picture, beside what it is not to be mistaken for: a wrong gain, a blur and an offset. The share is
how much of the foreign picture is mixed in: 0 none, 1 it alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.ndimage import laplace

from ...ground.srgb import luma
from ...ground.types import Bools, Doubles, Floats
from ..checks import as_mask, require_same_shape, unit_image
from ..image.pair import ImagePair, high_band
from ..record import Metric

TILE_PX = 24
_LEAST_PIXELS = 64
_LEAST_ENERGY = 1e-5  # mean square of luma: a foreign picture fainter than this cannot be seen
_SIGNIFICANT = 16.0  # explained energy over mean square of the rest: four standard errors


def ghost(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    others: Sequence[npt.ArrayLike],
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> float:
    """How much of the subject's pose in other frames is mixed into the result.

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W) or (H, W, 3), sRGB-encoded, finite.
    others : sequence of array_like
        The ideal picture with the subject as it stood in other frames, in the reference geometry.
    data_range : float
        The value of white in all of them.
    mask : array_like, optional
        Pixels to score: best the moving parts.

    Returns
    -------
    float
        0 to 1: RMS share over tiles, each weighted by how much the poses differ there. In every
        tile the pose that explains most counts. NaN if no pose differs from the reference.
    """
    pair = ImagePair(result, reference, data_range=data_range)
    inside = as_mask(mask, pair.size)
    planes = [_foreign(other, pair, data_range, f"others[{k}]") for k, other in enumerate(others)]
    own, wanted = pair.luma
    return _rms_share(own - wanted, wanted, planes, inside)


def see_through(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    behind: npt.ArrayLike,
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> float:
    """How much of the far ground's texture shows inside near objects.

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W) or (H, W, 3), sRGB-encoded, finite.
    behind : array_like
        What is behind the near objects: the ideal picture without them, same shape.
    data_range : float
        The value of white in all three.
    mask : array_like, optional
        Pixels of the near objects.

    Returns
    -------
    float
        0 to 1: RMS share over tiles, of the high band only, so that a haze is not mistaken for
        it. NaN if there is no texture behind.
    """
    pair = ImagePair(result, reference, data_range=data_range)
    inside = as_mask(mask, pair.size)
    own, wanted = pair.high_band
    far = high_band(_foreign(behind, pair, data_range, "behind"))
    return _rms_share(own - wanted, wanted, [far], inside)


def _foreign(image: npt.ArrayLike, pair: ImagePair, data_range: float, name: str) -> Floats:
    values = unit_image(image, data_range=data_range, name=name)
    require_same_shape(result=pair.result, **{name: values})
    return luma(values)


def _rms_share(error: Floats, reference: Floats, foreign: list[Floats], inside: Bools) -> float:
    if not foreign:
        return math.nan
    fits = [_shares(error, reference, plane, inside) for plane in foreign]
    share, energy = (np.stack(parts) for parts in zip(*fits, strict=True))
    best = np.argmax(share**2 * energy, axis=0)[None]
    share, energy = (np.take_along_axis(part, best, axis=0)[0] for part in (share, energy))
    # Where nothing was mixed in, the pose that differs most says what could have been.
    energy = np.where(share > 0, energy, np.stack([fit[1] for fit in fits]).max(axis=0))
    total = float(energy.sum())
    return math.sqrt(float((share**2 * energy).sum()) / total) if total > 0 else math.nan


def _shares(
    error: Floats, reference: Floats, foreign: Floats, inside: Bools
) -> tuple[Doubles, Doubles]:
    """Share of a foreign picture in each tile, and the energy it has beside the nuisances.

    A share that is not significant, or negative, is 0; so is the energy of a tile too small.
    """
    columns = [foreign, reference, laplace(reference), np.ones_like(reference)]
    weight = tiles(inside.astype(np.float32))
    terms = np.stack([tiles(plane) for plane in columns], axis=1) * weight[:, None]
    target = tiles(error) * weight
    normal = np.einsum("tin,tjn->tij", terms, terms, dtype=np.float64)
    right = np.einsum("tin,tn->ti", terms, target, dtype=np.float64)
    count = weight.sum(axis=1, dtype=np.float64)
    inverse = np.linalg.inv(normal + _ridge(normal))
    fit = np.einsum("tij,tj->ti", inverse, right)
    energy = 1.0 / inverse[:, 0, 0]
    left = np.square(target).sum(axis=1, dtype=np.float64) - (fit * right).sum(axis=1)
    rest = np.maximum(left, 0.0) / np.maximum(count - len(columns), 1.0)
    usable = (count >= _LEAST_PIXELS) & (energy >= _LEAST_ENERGY * count)
    seen = usable & (fit[:, 0] > 0) & (fit[:, 0] ** 2 * energy > _SIGNIFICANT * rest)
    return np.where(seen, np.minimum(fit[:, 0], 1.0), 0.0), np.where(usable, energy, 0.0)


def _ridge(normal: Doubles) -> Doubles:
    """Give a trace of each diagonal, so that a flat tile can be inverted."""
    diagonal = np.einsum("tii->ti", normal)
    return np.einsum("ti,ij->tij", 1e-7 * diagonal + 1e-9, np.eye(normal.shape[1]))


def tiles(plane: Floats, side_px: int = TILE_PX) -> Floats:
    """Cut a plane into tiles, shape (tiles, pixels); the last are filled up with zeros."""
    rows, columns = (-(-size // side_px) for size in plane.shape)
    filled = np.zeros((rows * side_px, columns * side_px), dtype=np.float32)
    filled[: plane.shape[0], : plane.shape[1]] = plane
    blocks = filled.reshape(rows, side_px, columns, side_px).swapaxes(1, 2)
    return blocks.reshape(rows * columns, side_px * side_px)


def untiled(cut: Floats, shape: tuple[int, int], side_px: int = TILE_PX) -> Floats:
    """Put a plane of this shape together again from its tiles."""
    rows, columns = (-(-size // side_px) for size in shape)
    blocks = cut.reshape(rows, columns, side_px, side_px).swapaxes(1, 2)
    return blocks.reshape(rows * side_px, columns * side_px)[: shape[0], : shape[1]]


METRICS = (
    Metric(
        name="ghost",
        title="ghost",
        group="artefact",
        direction="lower",
        best=0.0,
        range=(0.0, 1.0),
        function=ghost,
        needs=("others", "data_range"),
        reference="ours",
        undefined="no other pose differs here",
    ),
    Metric(
        name="see_through",
        title="see-through",
        group="artefact",
        direction="lower",
        best=0.0,
        range=(0.0, 1.0),
        function=see_through,
        needs=("behind", "data_range"),
        reference="ours",
        undefined="no texture behind",
    ),
)
