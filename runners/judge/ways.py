"""Ways from the pixels of a view to those of a finished picture: similarities, and what they do.

A way takes (x, y) in the view to (x, y) in the picture, both array indices.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy import ndimage
from skimage.transform import SimilarityTransform

from ...ground.types import Bools, Doubles, Floats
from ...metrics.registration.similarity import Similarity

#: The kind of way whose scale and turn are as they are fitted.
FREE = "free"
#: A fitted scale that is a plain one but for this share may be that one.
_NEARLY = 0.1
#: Changes of scale (share) and turn (degrees) from which on a picture is told to be changed.
_TELLING, _TELLING_DEGREES = 1e-3, 0.05


def whole_ways(shape: tuple[int, ...], own: tuple[int, ...]) -> Iterator[SimilarityTransform]:
    """Yield the ways of a picture that shows the whole view, upright and turned over.

    Parameters
    ----------
    shape, own : tuple of int
        Rows and columns of the view and of the picture; where one is not the other in another
        scale, but for a pixel, nothing is yielded.
    """
    scale = own[1] / shape[1]
    if abs(own[0] - scale * shape[0]) > 1:
        return
    middles = [(np.array(size)[::-1] - 1) / 2 for size in (shape[:2], own[:2])]
    for turn in (0.0, np.pi):
        way = SimilarityTransform(scale=scale, rotation=turn)
        yield way + SimilarityTransform(translation=middles[1] - way(middles[0][None])[0])


def fitted_ways(
    here: Doubles, there: Doubles, plain: tuple[float, ...]
) -> dict[str, SimilarityTransform]:
    """Return what takes points to others: a free similarity, and those of plain scale and turn.

    Most files are cut, or scaled as a whole, or turned over; where perspective hardly differs
    between the frames, a free scale would make any of them fit. What is cut is cut at whole pixels.
    """
    way = SimilarityTransform.from_estimate(here, there)
    if not isinstance(way, SimilarityTransform):
        return {}
    ways = {FREE: way}
    turn = np.pi * round(float(way.rotation) / np.pi)
    for scale in plain:
        if abs(way.scale / scale - 1) < _NEARLY:
            only = SimilarityTransform(scale=scale, rotation=turn)
            shift = np.median(there - only(here), axis=0)
            if scale == 1:
                shift = np.rint(shift)
            ways[f"scaled by {scale:g}"] = only + SimilarityTransform(translation=shift)
    return ways


def sampled(
    picture: Floats, way: SimilarityTransform, shape: tuple[int, ...], *, order: int = 5
) -> tuple[Floats, Bools]:
    """Return a picture as a view of this shape shows it, and where it has pixels of its own.

    Parameters
    ----------
    picture : array (rows, cols) or (rows, cols, 3)
    way : SimilarityTransform
        From (x, y) in the view to (x, y) in the picture.
    shape : tuple of int
        Rows and columns of the view.
    order : int
        Of the spline.
    """
    if (cut := _cut(picture, way, shape)) is not None:
        return cut
    matrix, offset = _rows_and_columns(way)
    # A larger picture is smoothed first, as its pixels would be merged.
    sigma = max(0.0, (float(way.scale) - 1) / 2)
    smooth = ndimage.gaussian_filter(picture, sigma, axes=(0, 1)) if sigma else picture
    planes = smooth[..., None] if picture.ndim == 2 else smooth
    made = [
        ndimage.affine_transform(
            planes[..., channel], matrix, offset, shape, np.float32, order=order, mode="nearest"
        )
        for channel in range(planes.shape[2])
    ]
    whole = np.clip(np.stack(made, axis=-1), 0, 1).reshape(*shape, *picture.shape[2:])
    return whole, shown_by(way, shape, picture.shape)


def _cut(
    picture: Floats, way: SimilarityTransform, shape: tuple[int, ...]
) -> tuple[Floats, Bools] | None:
    """Return what `sampled` does where a way takes pixels to pixels, upright or turned over."""
    size, start = np.array(picture.shape[:2]), np.rint(way.translation)[::-1].astype(int)
    if not np.allclose(way.translation[::-1], start, rtol=0, atol=1e-6):
        return None
    if np.allclose(way.params[:2, :2], np.eye(2), rtol=0, atol=1e-9):
        upright = picture
    elif np.allclose(way.params[:2, :2], -np.eye(2), rtol=0, atol=1e-9):
        upright, start = picture[::-1, ::-1], size - 1 - start
    else:
        return None
    if picture.shape[:2] == shape and not start.any():
        return upright, np.ones(shape, bool)
    rows, cols = (np.arange(side) + first for side, first in zip(shape, start, strict=True))
    row_in, col_in = ((at >= 0) & (at < side) for at, side in zip((rows, cols), size, strict=True))
    rows, cols = (np.clip(at, 0, side - 1) for at, side in zip((rows, cols), size, strict=True))
    return upright[rows[:, None], cols], row_in[:, None] & col_in


def sampled_depth(depth: Floats, way: SimilarityTransform, shape: tuple[int, ...]) -> Floats:
    """Return a depth map as the view shows it; NaN outside."""
    matrix, offset = _rows_and_columns(way)
    made: Floats = ndimage.affine_transform(
        depth, matrix, offset, shape, np.float32, order=0, mode="constant", cval=np.nan
    )
    return made


def _rows_and_columns(way: SimilarityTransform) -> tuple[Doubles, Doubles]:
    matrix = way.params
    return matrix[:2, :2][::-1, ::-1], matrix[:2, 2][::-1]


def shown_by(way: SimilarityTransform, shape: tuple[int, ...], own: tuple[int, ...]) -> Bools:
    """Return which pixels of a view lie on or between the pixel centres of a picture."""
    rows, cols = np.indices(shape)
    at = way(np.stack([cols.ravel(), rows.ravel()], axis=1))
    slack = 1e-6
    within = (at >= -slack).all(axis=1)
    within &= (at[:, 0] <= own[1] - 1 + slack) & (at[:, 1] <= own[0] - 1 + slack)
    return within.reshape(shape)


def as_way(found: Similarity, shape: tuple[int, ...]) -> SimilarityTransform:
    """Return a residual similarity, which is about the picture's middle, about its first pixel."""
    middle = (np.array(shape[:2])[::-1] - 1) / 2
    matrix = np.eye(3)
    matrix[:2, :2] = found.matrix()
    shift = np.array([found.shift_x_px, found.shift_y_px])
    matrix[:2, 2] = middle + shift - found.matrix() @ middle
    return SimilarityTransform(matrix)


def told_of(way: SimilarityTransform, shown: Bools, valid: Bools, own: tuple[int, ...]) -> str:
    """Say in words what it took to bring a picture to its view."""
    shape = valid.shape
    middle = (np.array(shape)[::-1] - 1) / 2
    right, down = way(middle[None])[0] - (np.array(own)[::-1] - 1) / 2
    turn = abs(float(np.degrees(way.rotation)))
    told = []
    if abs(way.scale - 1) > _TELLING:
        told.append(f"scaled by {way.scale:.4g}")
    if turn > _TELLING_DEGREES:
        told.append(f"turned by {turn:.{0 if turn > 1 else 2}f} degrees")
    if np.hypot(right, down) > 0.5 or own != shape:
        told.append(f"its middle {right:+.1f} px across and {down:+.1f} px down of the view's")
    share = int(np.count_nonzero(shown)) / max(int(np.count_nonzero(valid)), 1)
    if share < 0.995:
        told.append(f"shows {share:.0%} of the view")
    return ", ".join(told)
