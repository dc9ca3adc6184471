"""Fusions in a Laplacian pyramid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ....ground.srgb import LUMA
from ....ground.types import Bools, Floats
from ..align.aligned import AlignedFrames
from ..picture.pyramid import (
    BINOMIAL,
    collapse,
    expanded_strips,
    gaussian_pyramid,
    laplacian_pyramid,
    level_count,
    pixels,
    reduce,
)
from .fused import Fused

# A coefficient counts as covered when no more than this share of its weights lies outside.
_COVERED = 0.5
# Differences this small are rounding of the luma's sum, not contrast.
_ROUNDING = np.float32(1e-6)


def laplacian_maximum(aligned: AlignedFrames, *, a: float = BINOMIAL) -> Fused:
    """Keep, at every node of the pyramid, the coefficient that is largest in luma.

    Colours go along with the luma's choice; the coarsest level is the mean. Holds one pyramid,
    however many frames there are.

    Parameters
    ----------
    a : float
        Middle weight of the five-tap kernel.

    References
    ----------
    P. J. Burt and E. H. Adelson, "Merging images through pattern decomposition", Proc. SPIE 575,
    173 (1985); J. M. Ogden, E. H. Adelson, J. R. Bergen and P. J. Burt, "Pyramid-based computer
    graphics", RCA Engineer 30(5), 4 (1985). Kernel, rule and mean at the top: from memory.
    """
    levels = level_count(aligned.shape)
    best: list[_Best] = []
    total, weights = np.zeros(1, dtype=np.float32), np.zeros(1, dtype=np.float32)
    for frame in aligned:
        masks = coverage_pyramid(frame.covered, levels)
        image = frame.image
        for level in range(levels):
            smaller = reduce(image, a)
            if len(best) == level:
                best.append(_Best.none(image.shape))
            for rows, doubled in expanded_strips(smaller, image.shape, a):
                best[level].offer(rows, image[rows] - doubled, masks[level][rows])
            image = smaller
        total = total + image * masks[-1][..., None]
        weights = weights + masks[-1][..., None]
    top = np.asarray(total / np.maximum(weights, 1e-6), dtype=np.float32)
    return Fused(collapse([*(level.band for level in best), top], a))


@dataclass(frozen=True, eq=False, slots=True)
class _Best:
    """The largest coefficients of one level so far, with what they had in luma."""

    band: Floats
    activity: Floats

    @classmethod
    def none(cls, shape: tuple[int, ...]) -> _Best:
        """Start with a level that any coefficient exceeds."""
        return cls(np.zeros(shape, dtype=np.float32), np.full(shape[:2], -1, dtype=np.float32))

    def offer(self, rows: slice, band: Floats, mask: Floats) -> None:
        """Take, in a strip of rows, the coefficients that are larger."""
        activity = np.abs(band @ LUMA) * mask
        better = activity > self.activity[rows]
        np.copyto(pixels(self.band[rows]), pixels(band), where=better)
        np.copyto(self.activity[rows], activity, where=better)


def coverage_pyramid(covered: Bools, levels: int) -> list[Floats]:
    """Return, for every level, 1 where a coefficient rests on covered pixels only, else 0.

    The coarsest level keeps a trace of weight everywhere, so that a node no frame covers still
    has a value.
    """
    if covered.all():
        shapes = [covered.shape]
        for _ in range(levels):
            shapes.append(tuple((side + 1) // 2 for side in shapes[-1]))
        return [np.ones(shape, dtype=np.float32) for shape in shapes]
    shares = gaussian_pyramid(covered.astype(np.float32), levels)
    masks = [(fine > _COVERED).astype(np.float32) for fine in shares[:-1]]
    return [*masks, np.maximum(shares[-1], np.float32(1e-3))]


def contrast_weighted(aligned: AlignedFrames) -> Fused:
    """Blend Laplacian pyramids by Gaussian pyramids of normalised contrast.

    The contrast is the absolute Laplacian of luma. Goes through the frames twice.

    References
    ----------
    T. Mertens, J. Kautz and F. Van Reeth, "Exposure fusion", Proc. Pacific Graphics, 382 (2007),
    with the weights of saturation and exposedness at 0 and that of contrast at 1.
    """
    levels = int(np.log2(min(aligned.shape)))
    total = np.zeros(aligned.shape, dtype=np.float32)
    for frame in aligned.greys():
        total += _contrast(frame.image, frame.covered)
    merged: list[Floats] = []
    for frame in aligned:
        weight = _contrast(frame.image @ LUMA, frame.covered) / total
        bands = [
            band * share[..., None]
            for band, share in zip(
                laplacian_pyramid(frame.image, levels),
                gaussian_pyramid(weight, levels),
                strict=True,
            )
        ]
        merged = [a + b for a, b in zip(merged, bands, strict=True)] if merged else bands
    return Fused(collapse(merged))


def _contrast(grey: Floats, covered: Bools) -> Floats:
    steep = np.abs(ndimage.laplace(grey, mode="mirror"))
    steep[steep < _ROUNDING] = 0
    return np.asarray(steep * covered + np.float32(1e-12))
