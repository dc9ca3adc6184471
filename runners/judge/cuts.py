"""Where a part of a view lies that was cut out at its pixels, upright or turned over.

For each frame the detail that is wanted is laid where that frame has it; its correlation with the
picture's own, by Fourier transform, has its peak at the pixel where the picture was cut.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft
from skimage.transform import SimilarityTransform

from ...ground.types import Bools, Floats, Indices
from .agreement import correlation, detail
from .known_views import KnownViews

#: Of a picture, or of a view that it surrounds, at least this share must be shown by both.
_SHOWN = 0.5
#: Pixels are merged by so many before the transform, a quarter of the work ...
_MERGED = 2
#: ... which leaves a right place at least this share of the best agreement ...
_KEPT = 0.6
#: ... and the pixel is looked for among those so near.
_NEAR = tuple((down, right) for down in range(-2, 3) for right in range(-2, 3))


@dataclass(frozen=True, eq=False)
class Cut:
    """Where a picture lies if it was cut from a frame's view.

    Parameters
    ----------
    view : int
        The frame.
    way : SimilarityTransform
        From (x, y) in the view to (x, y) in the picture.
    agreement : float
        Correlation of detail over all of the view; what the picture does not show is blank.
    alike : float
        The same over what it shows.
    """

    view: int
    way: SimilarityTransform
    agreement: float
    alike: float


def cuts(own: Floats, known: KnownViews, views: Sequence[int]) -> list[Cut]:
    """Return where a plane may lie, of each view and turn one place, the likeliest first.

    Parameters
    ----------
    own : array (rows, cols)
        Of any size.
    known : KnownViews
    views : sequence of int
    """
    wanted = known.wanted_at_some.ravel()
    upright = detail(own)
    turned = {1: upright, -1: upright[::-1, ::-1]}
    merged = [-(-side // _MERGED) for side in known.wanted.shape]
    shape = [
        fft.next_fast_len(side + -(-part // _MERGED), real=True)
        for side, part in zip(merged, own.shape, strict=True)
    ]
    spectra = {sign: np.conj(fft.rfft2(_merged(plane), shape)) for sign, plane in turned.items()}
    allowed = _mostly_inside(shape, merged, upright.shape)
    found = []
    for view in views:
        at = np.rint(np.nan_to_num(known.points_in(view), nan=-1e6)).astype(int).T
        laid = fft.rfft2(_laid(at, wanted, merged), shape)
        for sign in turned:
            surface = np.where(allowed, fft.irfft2(spectra[sign] * laid, shape), -np.inf)
            found.append((float(surface.max()), view, sign, at, _peak(surface, merged)))
    enough = _KEPT * max((peak for peak, *_ in found), default=0.0)
    near = [
        _nearby(view, sign, turned[sign], at, wanted=wanted, start=start)
        for peak, view, sign, at, start in found
        if peak >= enough
    ]
    return sorted(near, key=lambda one: -one.agreement)


def _merged(plane: Floats) -> Floats:
    """Sum pixels by twos; an odd last row or column is summed with nothing."""
    rows, cols = (-side % _MERGED for side in plane.shape)
    even = np.pad(plane, ((0, rows), (0, cols)))
    blocks = even.reshape(even.shape[0] // _MERGED, _MERGED, -1, _MERGED)
    return np.asarray(blocks.sum(axis=(1, 3)), np.float32)


def _laid(at: Indices, wanted: Floats, shape: Sequence[int]) -> Floats:
    """Return a plane of merged pixels with values laid where points are; others are left out."""
    rows, cols = at // _MERGED
    here = (rows >= 0) & (rows < shape[0]) & (cols >= 0) & (cols < shape[1])
    flat = np.bincount(
        rows[here] * shape[1] + cols[here], wanted[here], minlength=shape[0] * shape[1]
    )
    return np.asarray(flat.reshape(shape), np.float32)


def _mostly_inside(shape: Sequence[int], size: Sequence[int], own: tuple[int, ...]) -> Bools:
    """Tell of each place whether most of a picture, or of the view, is shown there by both.

    A corner that two pictures share may be alike by chance.
    """
    shown = []
    for whole, side, part in zip(shape, size, own, strict=True):
        start = np.arange(whole)
        start[side:] -= whole  # beyond the view's own size come the places above and left of it
        stop = np.minimum(start + part / _MERGED, side)
        shown.append(np.maximum(0, stop - np.maximum(start, 0)) / min(part / _MERGED, side))
    return np.outer(*shown) >= _SHOWN


def _peak(surface: Floats, size: Sequence[int]) -> tuple[int, int]:
    """Return (row, col) of the view at which the first pixel of a picture lies, if it is there."""
    at = np.unravel_index(int(np.argmax(surface)), surface.shape)
    row, col = (
        int(place) - (whole if place >= side else 0)
        for place, whole, side in zip(at, surface.shape, size, strict=True)
    )
    return row * _MERGED, col * _MERGED


def _nearby(
    view: int, sign: int, plane: Floats, at: Indices, *, wanted: Floats, start: tuple[int, int]
) -> Cut:
    """Return the place near another where a plane agrees best."""
    best = max(
        (_agreements(plane, at, place, wanted) + place for place in _places(start)),
    )
    agreement, alike, row, col = best
    size = plane.shape
    if sign == 1:
        way = SimilarityTransform(translation=(-col, -row))
    else:
        way = SimilarityTransform(rotation=np.pi)
        way = way + SimilarityTransform(translation=(col + size[1] - 1, row + size[0] - 1))
    return Cut(view, way, agreement, alike)


def _places(start: tuple[int, int]) -> Iterator[tuple[int, int]]:
    for down, right in _NEAR:
        yield start[0] + down, start[1] + right


def _agreements(
    plane: Floats, at: Indices, place: tuple[int, int], wanted: Floats
) -> tuple[float, float]:
    """Return how a plane's values at points agree with others: over all, over what it shows."""
    rows, cols = (side - first for side, first in zip(at, place, strict=True))
    here: Bools = (rows >= 0) & (rows < plane.shape[0]) & (cols >= 0) & (cols < plane.shape[1])
    shown, there = plane[rows[here], cols[here]], wanted[here]
    alike, whole = correlation(shown, there), float(np.linalg.norm(wanted))
    return alike * float(np.linalg.norm(there)) / whole if whole > 0 else 0.0, alike
