"""Brings a finished picture to the view of one of a stack's frames.

Whose view it is in is found by the true motion: what the reference shows at a place, each other
frame shows at another, nearer points farther away than distant ones. Cropped, scaled and turned
pictures are brought over by a similarity, which no view can be mistaken for where there is depth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from skimage.transform import SimilarityTransform

from ... import metrics
from ...ground.srgb import clipped_srgb, luma
from ...ground.types import Bools, Doubles, Floats
from ...simulator.shooting.any_shoot import AnyShoot
from ...simulator.shooting.motion import nearest, places_in, points_in
from ...simulator.shooting.truth import Truth
from .agreement import LEAST, apart_px, correlation, detail
from .matches import matches
from .ways import FREE, as_way, fitted_ways, sampled, sampled_depth, told_of, whole_ways

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
#: Only each such row and column is compared at first.
_STRIDE = 3
#: A picture lies in place where it agrees by this much, and in no other view by more than this
#: many times less.
_IN_PLACE, _TIMES = 0.5, 1.5
#: What leaves shared points farther apart by this many times than another is not looked at.
_TIMES_OFF = 1.5
#: Fewer points that two views share say nothing of the motion between them.
_FEW_POINTS = 50


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
    image, inside = sampled(picture, best.way, shape)
    valid = truth.mask("valid")
    return PlacedPicture(
        view=best.view,
        image=image,
        depth=None if depth is None else sampled_depth(depth, best.way, shape),
        inside=inside,
        told=told_of(best.way, inside & valid, valid, picture.shape[:2]),
    )


@dataclass(frozen=True, eq=False)
class _Likely:
    """A view and a way in which a picture may lie, with the agreement at some points."""

    view: int
    way: SimilarityTransform
    agreement: float


@dataclass(frozen=True, eq=False)
class _Tried:
    """A view and a way by the points that both pictures share, and how far it leaves them apart."""

    off_px: float
    view: int
    way: SimilarityTransform


@dataclass(frozen=True, kw_only=True, eq=False)
class _Fit:
    """How a picture lies if it is in a view, and the detail that it then has in the truth's view.

    What it does not show is NaN there. For the agreement over all of the view that counts as
    blank, so that a small crop that lies anywhere is not preferred.
    """

    view: int
    way: SimilarityTransform
    agreement: float
    shown: Floats
    is_free: bool = False
    moved_px: float = 0.0

    @property
    def doubt_px(self) -> float:
        """How far it is behind a fit that needed nothing: of another scale, or moved to fit."""
        return _DOUBT_PX if self.is_free else min(self.moved_px, _DOUBT_PX)


class _Search:
    """Tries views for one picture, the likeliest first, until no other can lie closer."""

    def __init__(self, picture: Floats, shoot: AnyShoot, truth: Truth) -> None:
        self.shoot = shoot
        self._own = luma(picture)
        # The achievable picture has the blur of the best frame where none is sharp.
        self._target = luma(clipped_srgb(truth.achievable))
        self._judged = truth.mask("valid")
        self._wanted = np.where(self._judged, detail(self._target), np.float32(0))
        self._seen = nearest(shoot.scene, shoot.camera(truth.reference))
        every = [np.arange(side)[_STRIDE // 2 :: _STRIDE] for side in self._wanted.shape]
        self._rows, self._cols = (one.ravel() for one in np.meshgrid(*every, indexing="ij"))
        self._points: dict[int, Doubles] = {}
        self._places: dict[int, Floats] = {}

    def best(self, views: Sequence[int]) -> _Fit | None:
        """Return the best fit over all views."""
        whole = self._whole(views)
        if _stands_out(whole):
            one = whole[0]
            return _Fit(view=one.view, way=one.way, agreement=one.agreement, shown=self._wanted)
        looks = [self._in_place(whole), self._by_features(views)]
        elsewhere = not whole or whole[0].agreement < LEAST
        if elsewhere:
            looks.reverse()
        found: list[_Fit] = []
        for look in looks:
            for fits in look:
                found += fits
                if self._is_settled(fits, views):
                    return self._closest(fits)
            sure = max((fit.agreement for fit in found if not fit.is_free), default=0.0) >= _SURE
            if sure or (found and elsewhere):
                break
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

    def _is_settled(self, fits: Sequence[_Fit], views: Sequence[int]) -> bool:
        """Tell whether no other view can have a closer fit than the fits of one view have.

        Of points that lie so close in one view it is known how far off they are in another, beyond
        what a similarity takes away.
        """
        fit = self._closest(fits)
        if fit.agreement < _SURE:
            return False
        apart = apart_px(fit.shown, self._wanted, np.isfinite(fit.shown))
        here = self._points_in(fit.view)
        return all(
            parallax_px(here, self._points_in(view)) - apart > apart + fit.doubt_px
            for view in views
            if view != fit.view
        )

    def _whole(self, views: Sequence[int]) -> list[_Likely]:
        """Return views and ways of a picture that shows all of a view, the likeliest first."""
        shape = self._wanted.shape
        wanted = self._wanted[self._rows, self._cols]
        found = []
        for way in whole_ways(shape, self._own.shape):
            own = detail(sampled(self._own, way, shape, order=1)[0])
            for view in views:
                shown = np.nan_to_num(_at(own, np.nan_to_num(self._points_in(view)).T, order=1))
                unseen = np.isnan(self._points_in(view)[:, 0])
                alike = correlation(np.where(unseen, np.float32(0), shown), wanted)
                found.append(_Likely(view, way, alike))
        return sorted(found, key=lambda one: -one.agreement)

    def _in_place(self, whole: Sequence[_Likely]) -> Iterator[list[_Fit]]:
        """Yield the fits of each view in which the picture agrees best as it is."""
        for one in whole[:_CLOSELY]:
            yield list(self._fits(one.view, one.way, is_free=False))

    def _by_features(self, views: Sequence[int]) -> Iterator[list[_Fit]]:
        """Yield the fits of each of the likeliest views, started from what both pictures show."""
        shared = matches(self._target, self._own)
        if shared is None:
            return
        plain = (1.0, self._own.shape[1] / self._wanted.shape[1])
        cols, rows = np.rint(shared.first).astype(int).T
        tried: dict[str, list[_Tried]] = {}
        for view in views:
            there = points_in(self._seen, self.shoot.camera(view), rows, cols)[:, ::-1]
            known = np.isfinite(there).all(axis=1)
            for kind, way in fitted_ways(there[known], shared.second[known], plain).items():
                apart = way(there[known]) - shared.second[known]
                off_px = float(np.median(np.hypot(*apart.T)))
                tried.setdefault(kind, []).append(_Tried(off_px, view, way))
        for kind, likely in _likely(tried).items():
            for one in likely[:_CLOSELY]:
                yield list(self._fits(one.view, one.way, is_free=kind == FREE))

    def _fits(self, view: int, way: SimilarityTransform, *, is_free: bool) -> Iterator[_Fit]:
        """Yield the fit of a view as it is, and after the residual motion to the scene."""
        shape = self._wanted.shape
        own, inside = sampled(self._own, way, shape, order=3)
        yield replace(self._seen_as(view, way, own, inside), is_free=is_free)
        moved, judged = self._from_reference(own, inside, view)
        residual = metrics.fit_similarity(moved, self._target, data_range=1.0, mask=judged)
        moved_px = residual.residual_px(shape)
        if moved_px > _WORTH_PX:
            closer = as_way(residual, shape) + way
            own, inside = sampled(self._own, closer, shape, order=3)
            is_free = is_free or moved_px > _STILL_PX
            fit = self._seen_as(view, closer, own, inside)
            yield replace(fit, is_free=is_free, moved_px=moved_px)

    def _seen_as(self, view: int, way: SimilarityTransform, own: Floats, inside: Bools) -> _Fit:
        shown = self._shown(view, detail(own), inside)
        agreement = correlation(np.nan_to_num(shown), self._wanted)
        return _Fit(view=view, way=way, agreement=agreement, shown=shown)

    def _points_in(self, view: int) -> Doubles:
        """Return (row, column) in a frame's view of some points of the truth's view."""
        if view not in self._points:
            camera = self.shoot.camera(view)
            self._points[view] = points_in(self._seen, camera, self._rows, self._cols)
        return self._points[view]

    def _places_in(self, view: int) -> Floats:
        """Return (row, column) in a frame's view of what each point of the truth's view shows."""
        if view not in self._places:
            self._places[view] = places_in(self._seen, self.shoot.camera(view))
        return self._places[view]

    def _from_reference(self, own: Floats, inside: Bools, view: int) -> tuple[Floats, Bools]:
        """Return a plane of a view as the truth's view sees it, and where it can be judged."""
        moved, there = self._moved(own, inside, view)
        return np.clip(np.where(np.isnan(moved), np.float32(0), moved), 0, 1), there

    def _shown(self, view: int, own: Floats, inside: Bools) -> Floats:
        """Return detail that is in a view as the truth's view sees it; NaN where it does not."""
        moved, there = self._moved(own, inside, view)
        return np.where(there, moved, np.float32(np.nan))

    def _moved(self, own: Floats, inside: Bools, view: int) -> tuple[Floats, Bools]:
        """Return a plane of a view as the truth's view sees it, and where that can be judged."""
        places = self._places_in(view)
        there = self._judged & np.isfinite(places[..., 0])
        at = np.moveaxis(np.where(there[..., None], places, np.float32(0)), -1, 0)
        if not inside.all():
            there = there & (_at(inside.astype(np.float32), at, order=1) > 0.99)
        return _at(own, at, order=3), there


def _likely(tried: Mapping[str, Sequence[_Tried]]) -> dict[str, list[_Tried]]:
    """Return what is worth a closer look, of each kind the likeliest first; free ways last.

    What leaves shared points much farther apart than another of its kind, or than another kind, is
    not; nor is another scale or turn that brings them hardly closer.
    """
    least = {kind: min(one.off_px for one in of_kind) for kind, of_kind in tried.items()}
    enough = _TIMES_OFF * min(least.values(), default=0.0)
    if any(off_px <= enough for kind, off_px in least.items() if kind != FREE):
        least.pop(FREE, None)
    return {
        kind: sorted(
            (one for one in tried[kind] if one.off_px <= _TIMES_OFF * least[kind]),
            key=lambda one: one.off_px,
        )
        for kind in sorted(least, key=lambda kind: (kind == FREE, least[kind]))
        if least[kind] <= enough
    }


def _stands_out(whole: Sequence[_Likely]) -> bool:
    """Tell whether a picture lies in place in one view, and nearly as well in no other.

    Detail is a few pixels fine, so views that agree alike lie closer together than that.
    """
    if not whole:
        return False
    others = max((one.agreement for one in whole[1:]), default=0.0)
    return whole[0].agreement > max(_IN_PLACE, _TIMES * others)


def parallax_px(first: Doubles, second: Doubles) -> float:
    """Return how far points move between two views beyond a similarity, px rms.

    Parameters
    ----------
    first, second : array (points, 2)
        Row and column of the same points; NaN where a view does not show one.
    """
    known = np.isfinite(first[:, 0]) & np.isfinite(second[:, 0])
    if np.count_nonzero(known) < _FEW_POINTS:
        return math.inf  # they show hardly anything in common
    one, other = (points[known] @ np.array([1, 1j]) for points in (first, second))
    one, other = one - one.mean(), other - other.mean()
    left = other - one * (np.vdot(one, other) / np.vdot(one, one))
    return float(np.sqrt(np.mean(np.abs(left) ** 2)))


def _at(plane: Floats, at: npt.NDArray[Any], *, order: int) -> Floats:
    found: Floats = ndimage.map_coordinates(
        plane, at, order=order, mode="nearest", output=np.float32
    )
    return found
