"""Brings a finished picture to the view of one of a stack's frames.

Whose view it is in is found by the true motion: what the reference shows at a place, each other
frame shows at another, nearer points farther away than distant ones. Cropped, scaled and turned
pictures are brought over by a similarity, which no view can be mistaken for where there is depth.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from skimage.transform import SimilarityTransform

from ... import metrics
from ...ground.srgb import clipped_srgb, luma
from ...ground.types import Bools, Doubles, Floats
from ...metrics.registration.similarity import Similarity
from ...simulator.shooting.any_shoot import AnyShoot
from ...simulator.shooting.motion import nearest, places_in
from ...simulator.shooting.truth import Truth
from .agreement import LEAST, apart_px, correlation, detail
from .matches import matches

#: A residual motion of less than this, px rms, is left to the judge, who looks for it anyway ...
_WORTH_PX = 0.1
#: ... and one of less than this leaves a plain way a plain one.
_STILL_PX = 0.3
#: With less agreement it may lie elsewhere, too.
_SURE = 0.8
#: A scale of no reason, or a residual motion, must bring points nearer by this, px, than a plain
#: one: about as far they are apart in the true view, for edges are not where the ray through a
#: pixel's centre says.
_DOUBT_PX = 0.1
#: Of fits with at least this share of the best one's agreement the closest is taken.
_ALIKE = 0.9
#: Views that are looked at closely, of each kind of way.
_CLOSELY = 3
#: A fitted scale that is a plain one but for this share may be that one.
_NEARLY = 0.1
#: Only each such row and column is compared at first.
_STRIDE = 2
#: Changes of scale (share) and turn (degrees) from which on a picture is told to be changed.
_TELLING, _TELLING_DEGREES = 1e-3, 0.05


class NotRegisteredError(ValueError):
    """A picture could not be brought to the view of any frame."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PlacedPicture:
    """A finished picture in the geometry of the frame whose view it is in.

    Parameters
    ----------
    view : int
        The frame.
    image : array (rows, cols, 3)
        sRGB-encoded 0..1, of the frames' size.
    depth : array (rows, cols) or None
        NaN where the file has none.
    inside : array (rows, cols) of bool
        What the file shows of the view.
    told : str
        What was done to bring it there, for people; empty where nothing was.
    """

    view: int
    image: Floats
    depth: Floats | None
    inside: Bools
    told: str


def placed(
    picture: Floats,
    depth: Floats | None,
    *,
    shoot: AnyShoot,
    truth: Truth,
    views: Sequence[int] | None = None,
) -> PlacedPicture:
    """Find whose view a picture is in, and bring it there.

    Parameters
    ----------
    picture : array (rows, cols, 3)
        sRGB-encoded 0..1, of any size.
    depth : array (rows, cols) or None
        Of the picture's size.
    shoot : AnyShoot
    truth : Truth
        In the view of any frame.
    views : sequence of int or None
        Frames that come into question; None: all.

    Raises
    ------
    NotRegisteredError
        It fits no view.
    """
    search = _Search(picture, shoot, truth)
    best = search.best(range(shoot.frames) if views is None else views)
    if best is None or best.agreement < LEAST:
        found = "nothing in it was found again" if best is None else f"best {best.agreement:.2f}"
        raise NotRegisteredError(
            f"the picture could not be brought to the view of any frame ({found}; allowed: a "
            "picture of the scene in any scale, crop and turn)"
        )
    shape = truth.depth_mm.shape
    image, inside = _sampled(picture, best.way, shape)
    return PlacedPicture(
        view=best.view,
        image=image,
        depth=None if depth is None else _nearest(depth, best.way, shape),
        inside=inside,
        told=_told(best.way, inside & truth.mask("valid"), truth.mask("valid"), picture.shape[:2]),
    )


@dataclass(frozen=True, eq=False)
class _Fit:
    """How a picture lies if it is in a view, and the detail that it then has in the truth's view.

    What it does not show is NaN there. For the agreement over all of the view that counts as
    blank, so that a small crop that lies anywhere is not preferred.
    """

    view: int
    way: SimilarityTransform
    agreement: float
    shown: Floats
    is_free: bool
    moved_px: float = 0.0

    @property
    def doubt_px(self) -> float:
        """How far it is behind a fit that needed nothing: of another scale, or moved to fit."""
        return _DOUBT_PX if self.is_free else min(self.moved_px, _DOUBT_PX)


class _Search:
    """Tries views for one picture."""

    def __init__(self, picture: Floats, shoot: AnyShoot, truth: Truth) -> None:
        self.picture, self.shoot, self.truth = picture, shoot, truth
        # The achievable picture has the blur of the best frame where none is sharp.
        self.target = clipped_srgb(truth.achievable)
        judged = truth.mask("valid")
        self._wanted = np.where(judged, detail(luma(self.target)), np.float32(0))
        self._seen = nearest(shoot.scene, shoot.camera(truth.reference))
        self._places: dict[int, Floats] = {}

    def best(self, views: Sequence[int]) -> _Fit | None:
        """Return the best fit over all views."""
        found = self._in_place(views) if self.picture.shape == self.target.shape else []
        if max((fit.agreement for fit in found if not fit.is_free), default=0.0) < _SURE:
            found += list(self._by_features(views))
        return self._closest(found) if found else None

    def _closest(self, found: Sequence[_Fit]) -> _Fit:
        """Choose among fits that agree nearly alike: where parallax leaves points least apart.

        Correlation would prefer the fit whose resampling took most noise away.
        """
        best = max(fit.agreement for fit in found)
        least = min(best, _ALIKE * best)
        alike = [fit for fit in found if fit.agreement >= least]
        common = np.logical_and.reduce([np.isfinite(fit.shown) for fit in alike])
        return min(
            alike,
            key=lambda fit: apart_px(fit.shown, self._wanted, common) + fit.doubt_px,
        )

    def _in_place(self, views: Sequence[int]) -> list[_Fit]:
        """Return fits of the views in which the picture agrees best as it is."""
        own, everywhere = detail(luma(self.picture)), np.ones(self._wanted.shape, bool)
        wanted = self._wanted[::_STRIDE, ::_STRIDE]
        alike = {
            view: correlation(np.nan_to_num(self._shown(view, own, everywhere, _STRIDE)), wanted)
            for view in views
        }
        likeliest = sorted(alike, key=lambda view: -alike[view])[:_CLOSELY]
        way = SimilarityTransform()
        return [fit for view in likeliest for fit in self._fits(view, way, is_free=False)]

    def _by_features(self, views: Sequence[int]) -> Iterator[_Fit]:
        """Yield fits of the likeliest views, started from what both pictures show."""
        shared = matches(luma(self.target), luma(self.picture))
        if shared is None:
            return
        plain = (1.0, self.picture.shape[1] / self._wanted.shape[1])
        cols, rows = np.rint(shared.first).astype(int).T
        tried: dict[str, list[tuple[float, int, SimilarityTransform]]] = {}
        for view in views:
            there = self._places_in(view)[rows, cols][:, ::-1].astype(float)
            known = np.isfinite(there).all(axis=1)
            for kind, way in _ways(there[known], shared.second[known], plain).items():
                apart = way(there[known]) - shared.second[known]
                off_px = float(np.median(np.hypot(*apart.T)))
                tried.setdefault(kind, []).append((off_px, view, way))
        for kind, of_kind in tried.items():
            for _, view, way in sorted(of_kind, key=_off_px)[:_CLOSELY]:
                yield from self._fits(view, way, is_free=kind == "free")

    def _fits(self, view: int, way: SimilarityTransform, *, is_free: bool) -> Iterator[_Fit]:
        """Yield the fit of a view as it is, and after the residual motion to the scene."""
        shape = self._wanted.shape
        own, inside = _sampled(self.picture, way, shape)
        moved, judged = self._from_reference(own, inside, view)
        residual = metrics.fit_similarity(moved, self.target, data_range=1.0, mask=judged)
        moved_px = residual.residual_px(shape)
        yield self._seen_as(view, way, own, inside, is_free=is_free)
        if moved_px > _WORTH_PX:
            closer = _as_transform(residual, shape) + way
            own, inside = _sampled(self.picture, closer, shape)
            is_free = is_free or moved_px > _STILL_PX
            fit = self._seen_as(view, closer, own, inside, is_free=is_free)
            yield replace(fit, moved_px=moved_px)

    def _seen_as(
        self, view: int, way: SimilarityTransform, own: Floats, inside: Bools, *, is_free: bool
    ) -> _Fit:
        shown = self._shown(view, detail(luma(own)), inside)
        agreement = correlation(np.nan_to_num(shown), self._wanted)
        return _Fit(view, way, agreement, shown, is_free)

    def _places_in(self, view: int) -> Floats:
        """Return (row, column) in a frame's view of what each point of the truth's view shows."""
        if view not in self._places:
            self._places[view] = places_in(self._seen, self.shoot.camera(view))
        return self._places[view]

    def _from_reference(self, own: Floats, inside: Bools, view: int) -> tuple[Floats, Bools]:
        """Return a picture of a view as the truth's view sees it, and where it can be judged."""
        places = self._places_in(view)
        unseen = np.isnan(places[..., 0])
        at = np.moveaxis(np.where(unseen[..., None], np.float32(0), places), -1, 0)
        moved = np.stack([_at(own[..., channel], at, order=3) for channel in range(3)], axis=-1)
        there = _at(inside.astype(np.float32), at, order=1) > 0.99
        return np.clip(moved, 0, 1), self.truth.mask("valid") & ~unseen & there

    def _shown(self, view: int, own: Floats, inside: Bools, stride: int = 1) -> Floats:
        """Return detail that is in a view as the truth's view sees it; NaN where it does not."""
        places = self._places_in(view)[::stride, ::stride]
        judged = self.truth.mask("valid")[::stride, ::stride] & np.isfinite(places[..., 0])
        at = np.moveaxis(np.where(judged[..., None], places, np.float32(0)), -1, 0)
        judged &= _at(inside.astype(np.float32), at, order=1) > 0.99
        shown = _at(own, at, order=1 if stride > 1 else 3)
        return np.where(judged, shown, np.float32(np.nan))


def _off_px(one: tuple[float, int, SimilarityTransform]) -> float:
    return one[0]


def _ways(
    here: Doubles, there: Doubles, plain: tuple[float, ...]
) -> dict[str, SimilarityTransform]:
    """Return what takes points to others: a free similarity, and ones of plain scale and turn.

    Most files are cut, or scaled as a whole, or turned over; where perspective hardly differs
    between the frames, a free scale would make any of them fit.
    """
    way = SimilarityTransform.from_estimate(here, there)
    if not isinstance(way, SimilarityTransform):
        return {}
    ways = {"free": way}
    turn = np.pi * round(float(way.rotation) / np.pi)
    for scale in plain:
        if abs(way.scale / scale - 1) < _NEARLY:
            only = SimilarityTransform(scale=scale, rotation=turn)
            shift = SimilarityTransform(translation=np.median(there - only(here), axis=0))
            ways["plain"] = only + shift
    return ways


def _at(plane: Floats, at: npt.NDArray[Any], *, order: int) -> Floats:
    found: Floats = ndimage.map_coordinates(
        plane, at, order=order, mode="nearest", output=np.float32
    )
    return found


def _sampled(
    picture: Floats, way: SimilarityTransform, shape: tuple[int, ...]
) -> tuple[Floats, Bools]:
    """Return a picture as a view of this shape shows it, and where it has pixels of its own.

    Parameters
    ----------
    way : SimilarityTransform
        From (x, y) in the view to (x, y) in the picture.
    """
    if np.array_equal(way.params, np.eye(3)) and picture.shape[:2] == shape:
        return picture, np.ones(shape, bool)
    matrix, offset = _rows_and_columns(way)
    # A larger picture is smoothed first, as its pixels would be merged.
    sigma = max(0.0, (float(way.scale) - 1) / 2)
    smooth = ndimage.gaussian_filter(picture, (sigma, sigma, 0)) if sigma else picture
    made = [
        ndimage.affine_transform(
            smooth[..., channel], matrix, offset, shape, np.float32, order=5, mode="nearest"
        )
        for channel in range(3)
    ]
    return np.clip(np.stack(made, axis=-1), 0, 1), _inside(way, shape, picture.shape)


def _nearest(depth: Floats, way: SimilarityTransform, shape: tuple[int, ...]) -> Floats:
    """Return a depth map as the view shows it; NaN outside."""
    matrix, offset = _rows_and_columns(way)
    made: Floats = ndimage.affine_transform(
        depth, matrix, offset, shape, np.float32, order=0, mode="constant", cval=np.nan
    )
    return made


def _rows_and_columns(way: SimilarityTransform) -> tuple[Doubles, Doubles]:
    matrix = way.params
    return matrix[:2, :2][::-1, ::-1], matrix[:2, 2][::-1]


def _inside(way: SimilarityTransform, shape: tuple[int, ...], own: tuple[int, ...]) -> Bools:
    """Return which pixels of a view lie on or between the pixel centres of a picture."""
    rows, cols = np.indices(shape)
    at = way(np.stack([cols.ravel(), rows.ravel()], axis=1))
    slack = 1e-6
    within = (at >= -slack).all(axis=1)
    within &= (at[:, 0] <= own[1] - 1 + slack) & (at[:, 1] <= own[0] - 1 + slack)
    return within.reshape(shape)


def _as_transform(found: Similarity, shape: tuple[int, ...]) -> SimilarityTransform:
    """Return a residual similarity, which is about the picture's middle, about its first pixel."""
    middle = (np.array(shape[:2])[::-1] - 1) / 2
    matrix = np.eye(3)
    matrix[:2, :2] = found.matrix()
    shift = np.array([found.shift_x_px, found.shift_y_px])
    matrix[:2, 2] = middle + shift - found.matrix() @ middle
    return SimilarityTransform(matrix)


def _told(way: SimilarityTransform, shown: Bools, valid: Bools, own: tuple[int, ...]) -> str:
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
