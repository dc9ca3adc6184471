"""Brings a finished picture to the view of one of a stack's frames.

Whose view it is in is found by the true motion: what the reference shows at a place, each other
frame shows at another, nearer points farther away than distant ones. Cropped, scaled and turned
pictures are brought over by a similarity, which no view can be mistaken for where there is depth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from skimage.transform import SimilarityTransform

from ... import metrics
from ...ground.srgb import luma
from ...ground.types import Bools, Doubles, Floats
from ...simulator.shooting.motion import points_in
from .agreement import LEAST, apart_px, correlation, detail
from .cuts import Cut, cuts
from .known_views import STRIDE_PX, KnownViews, values_at
from .matches import features, matches
from .ways import FREE, as_way, fitted_ways, sampled, sampled_depth, told_of, whole_ways

#: A residual motion of less than this, px rms, is left to the judge, who looks for it anyway ...
_WORTH_PX = 0.1
#: ... and a scale and turn of less than this leave a plain way a plain one.
_STILL_PX = 0.3
#: With less agreement it may lie elsewhere, too.
_SURE = 0.8
#: A scale of no reason, or a residual motion, must bring points nearer by this, px, than a plain
#: one: about as far they are apart in the true view, for edges are not where the ray through a
#: pixel's centre says.
_DOUBT_PX = 0.1
#: A picture that lies between the pixels must bring points nearer by this, px, than one at them.
_BETWEEN_PX = 0.15
#: Of fits with at least this share of the best one's agreement the closest is taken.
_ALIKE = 0.9
#: A picture that is less alike to a view where it lies, or agrees less with all of it, was not cut
#: at its pixels: among a million places one of a picture without anything in common is alike by a
#: third.
_CUT, _CUT_AGREES = 0.5, 0.1
#: The same for a small one, times the root of its pixels: thirty are one piece of detail, and six
#: standard deviations are more than a million places reach.
_BY_CHANCE = 6.0 * math.sqrt(30.0)
#: Cuts of so many views are looked at.
_CUTS = 8
#: Views that are looked at closely, of each kind of way.
_CLOSELY = 3
#: A picture lies in place where it agrees by this much, and in no other view by more than this
#: many times less.
_IN_PLACE, _TIMES = 0.5, 1.5
#: What leaves shared points farther apart by this many times than another is not looked at.
_TIMES_OFF = 1.5
#: Views in which points lie nearer together than this, px rms, cannot be told apart: about as far
#: off is a point at an edge in its true view.
ALIKE_PX = 0.1
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
    alike : tuple of int
        Other frames whose views cannot be told from it by this picture.
    """

    view: int
    image: Floats
    depth: Floats | None
    inside: Bools
    told: str
    alike: tuple[int, ...] = ()


def placed(
    picture: Floats,
    depth: Floats | None,
    *,
    known: KnownViews,
    views: Sequence[int] | None = None,
) -> PlacedPicture:
    """Find whose view a picture is in, and bring it there.

    Parameters
    ----------
    picture : array (rows, cols, 3)
        sRGB-encoded 0..1, of any size.
    depth : array (rows, cols) or None
        Of the picture's size.
    known : KnownViews
        The stack's views; the same for all pictures.
    views : sequence of int or None
        Frames that come into question; None: all.

    Raises
    ------
    NotRegisteredError
        It fits no view.
    """
    frames = range(known.shoot.frames)
    best = _Search(picture, known).best(frames if views is None else views)
    if best is None or best.agreement < LEAST:
        found = "nothing in it was found again" if best is None else f"best {best.agreement:.2f}"
        raise NotRegisteredError(
            f"the picture could not be brought to the view of any frame ({found}; allowed: a "
            "picture of the scene in any scale, crop and turn)"
        )
    shape, valid = known.judged.shape, known.judged
    image, inside = sampled(picture, best.way, shape)
    return PlacedPicture(
        view=best.view,
        image=image,
        depth=None if depth is None else sampled_depth(depth, best.way, shape),
        inside=inside,
        told=told_of(best.way, inside & valid, valid, picture.shape[:2]),
        alike=alike_views(
            {one: known.points_in(one)[best.inside.ravel()] for one in (*frames, best.view)},
            best.view,
            in_place=np.array_equal(best.way.params, np.eye(3)),
        ),
    )


def alike_views(points: Mapping[int, Doubles], view: int, *, in_place: bool) -> tuple[int, ...]:
    """Return the other views in which the same points lie within `ALIKE_PX`, rms.

    Parameters
    ----------
    points : mapping of int to array (points, 2)
        Row and column of the same points by view; NaN where one does not show them.
    view : int
        The one that was found.
    in_place : bool
        Whether the picture lies there as it is: then shift, turn and scale tell views apart, too.
    """

    def apart_px(other: int) -> float:
        if not in_place:
            return parallax_px(points[view], points[other])
        off = (points[view] - points[other])[np.isfinite(points[view] + points[other]).all(axis=1)]
        return math.inf if len(off) < _FEW_POINTS else float(np.sqrt((off**2).sum(1).mean()))

    return tuple(sorted(one for one in points if one != view and apart_px(one) < ALIKE_PX))


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
    """How a picture lies if it is in a view, and its detail then at points of the truth's view.

    What it does not show is NaN there. For the agreement over all of the view that counts as
    blank, so that a small crop that lies anywhere is not preferred.
    """

    view: int
    way: SimilarityTransform
    agreement: float
    shown: Floats
    known: KnownViews
    is_free: bool = False
    is_cut: bool = False
    moved_px: float = 0.0

    @property
    def doubt_px(self) -> float:
        """How far it is behind a fit that needed nothing: of another scale, or moved to fit."""
        return _DOUBT_PX if self.is_free else min(self.moved_px, _DOUBT_PX)

    @cached_property
    def inside(self) -> Bools:
        """What the picture shows of the truth's view."""
        return np.isfinite(self.shown)

    @property
    def is_sure(self) -> bool:
        """Whether nothing else is looked for: it agrees well, or it is cut at its pixels."""
        return not self.is_free and self.alike >= (_CUT if self.is_cut else _SURE)

    @cached_property
    def alike(self) -> float:
        """Agreement over what the picture shows."""
        wanted = self.known.wanted_at_some
        return correlation(self.shown[self.inside], wanted[self.inside])

    @cached_property
    def apart_px(self) -> float:
        """How far apart it leaves points, px rms."""
        return self.apart_over(self.inside)

    def apart_over(self, mask: Bools, *, but_shift: bool = False) -> float:
        """Return how far apart it leaves those of some points, px rms."""
        slopes, off = self.known.slopes_at_some, self.shown - self.known.wanted_at_some
        return apart_px(off, slopes, mask, spacing_px=STRIDE_PX, but_shift=but_shift)


class _Search:
    """Tries views for one picture, the likeliest first, until no other can lie closer."""

    def __init__(self, picture: Floats, known: KnownViews) -> None:
        self._known = known
        self._picture = picture
        self._own = luma(picture)

    def best(self, views: Sequence[int]) -> _Fit | None:
        """Return the best fit over all views."""
        whole = self._whole(views)
        sharper = _Search(self._picture, self._known.ideal)._whole(views) if whole else []
        if sharper and sharper[0].agreement > whole[0].agreement:  # a picture that no frame allows
            self._known, whole = self._known.ideal, sharper
        if _stands_out(whole):
            one = whole[0]
            return self._fit(one.view, one.way, self._known.wanted_at_some)
        found: list[_Fit] = []
        for look in self._looks(whole, views):
            for fits in look:
                found += fits
                if self._is_settled(fits, views):
                    return self._closest(fits)
            if any(fit.is_sure for fit in found):
                break
        return self._closest(found) if found else None

    def _looks(
        self, whole: Sequence[_Likely], views: Sequence[int]
    ) -> Iterator[Iterator[list[_Fit]]]:
        """Yield the ways to look closer: first as the picture agrees best, then by features."""
        by_chance = _BY_CHANCE / math.sqrt(self._own.size)
        # A picture of a view's own size is no part of it.
        is_part = self._own.shape != self._known.target.shape
        cut = cuts(self._own, self._known, views) if is_part else []
        cut = [one for one in cut if one.alike > max(_CUT, by_chance)]
        looks: list[tuple[float, Iterator[list[_Fit]]]] = []
        if whole and whole[0].agreement > LEAST:
            looks.append((whole[0].agreement, self._in_place(whole)))
        if cut and cut[0].agreement > _CUT_AGREES:
            looks.append((cut[0].agreement, self._cut_out(cut)))
        for _, look in sorted(looks, key=lambda one: -one[0]):
            yield look
        yield self._by_features(views)
        if not looks:
            yield self._in_place(whole)

    def _closest(self, found: Sequence[_Fit]) -> _Fit:
        """Choose among fits that agree nearly alike: where parallax leaves points least apart.

        Correlation would prefer the fit whose resampling took most noise away.
        """
        best = max(fit.agreement for fit in found)
        least = min(best, _ALIKE * best)
        alike = [fit for fit in found if fit.agreement >= least]
        if len(alike) == 1:
            return alike[0]
        common = np.logical_and.reduce([fit.inside for fit in alike])
        return min(alike, key=lambda fit: fit.apart_over(common) + fit.doubt_px)

    def _is_settled(self, fits: Sequence[_Fit], views: Sequence[int]) -> bool:
        """Tell whether no other view can have a closer fit than the fits of one view have.

        Of points that lie so close in one view it is known how far off they are in another, beyond
        what a similarity takes away.
        """
        fit = self._closest(fits)
        if fit.alike < _SURE:
            return False
        apart, shown = fit.apart_px, fit.inside.ravel()
        here = self._known.points_in(fit.view)[shown]
        return all(
            parallax_px(here, self._known.points_in(view)[shown]) - apart > apart + fit.doubt_px
            for view in views
            if view != fit.view
        )

    def _whole(self, views: Sequence[int]) -> list[_Likely]:
        """Return views and ways of a picture that shows all of a view, the likeliest first."""
        shape = self._known.wanted.shape
        wanted = self._known.wanted_at_some.ravel()
        found = []
        for way in whole_ways(shape, self._own.shape):
            own = detail(sampled(self._own, way, shape, order=1)[0])
            for view in views:
                points = self._known.points_in(view)
                shown = values_at(own, np.nan_to_num(points).T, order=1)
                unseen = np.isnan(points[:, 0])
                alike = correlation(np.where(unseen, np.float32(0), shown), wanted)
                found.append(_Likely(view, way, alike))
        return sorted(found, key=lambda one: -one.agreement)

    def _in_place(self, whole: Sequence[_Likely]) -> Iterator[list[_Fit]]:
        """Yield the fits of each view in which the picture agrees best as it is."""
        for one in whole[:_CLOSELY]:
            yield list(self._fits(one.view, one.way, is_free=False))

    def _cut_out(self, likely: Sequence[Cut]) -> Iterator[list[_Fit]]:
        """Yield the fits of the view in which the picture lies closest if it was cut from it.

        Where another scale or turn brings it closer it was not: then those of all likely views.
        """
        least = _ALIKE * likely[0].agreement
        plain = [self._plain(cut) for cut in likely[:_CUTS] if cut.agreement >= least]
        common = np.logical_and.reduce([fit.inside for fit in plain])
        plain.sort(
            key=lambda fit: min(
                fit.apart_over(common), fit.apart_over(common, but_shift=True) + _BETWEEN_PX
            )
        )
        first = [plain[0], *self._moved_closer(plain[0])]
        best = self._closest(first)
        if not best.is_free:
            yield [replace(best, is_cut=True)]
            return
        yield first
        for fit in plain[1:_CLOSELY]:
            yield [fit, *self._moved_closer(fit)]

    def _plain(self, cut: Cut) -> _Fit:
        own, inside = sampled(self._own, cut.way, self._known.target.shape)
        return self._seen_as(cut.view, cut.way, own, inside)

    def _by_features(self, views: Sequence[int]) -> Iterator[list[_Fit]]:
        """Yield the fits of each of the likeliest views, started from what both pictures show."""
        shared = matches(self._known.features, features(self._own))
        if shared is None:
            return
        plain = (1.0, self._own.shape[1] / self._known.wanted.shape[1])
        cols, rows = np.rint(shared.first).astype(int).T
        tried: dict[str, list[_Tried]] = {}
        for view in views:
            camera = self._known.shoot.camera(view)
            there = points_in(self._known.seen, camera, rows, cols)[:, ::-1]
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
        own, inside = sampled(self._own, way, self._known.target.shape, order=3)
        fit = replace(self._seen_as(view, way, own, inside), is_free=is_free)
        yield fit
        yield from self._moved_closer(fit)

    def _moved_closer(self, fit: _Fit) -> Iterator[_Fit]:
        """Yield a fit after the residual motion to the scene, if there is one worth it."""
        target = self._known.target
        own, inside = sampled(self._own, fit.way, target.shape, order=3)
        moved, judged = self._known.moved(own, inside, fit.view)
        moved = np.clip(np.where(judged, moved, np.float32(0)), 0, 1)
        residual = metrics.fit_similarity(moved, target, data_range=1.0, mask=judged)
        moved_px = residual.residual_px(target.shape)
        if moved_px > _WORTH_PX:
            closer = as_way(residual, target.shape) + fit.way
            own, inside = sampled(self._own, closer, target.shape, order=3)
            found = self._seen_as(fit.view, closer, own, inside)
            turned_px = replace(residual, shift_x_px=0.0, shift_y_px=0.0).residual_px(target.shape)
            is_free = fit.is_free or turned_px > _STILL_PX
            yield replace(found, is_free=is_free, moved_px=moved_px)

    def _seen_as(self, view: int, way: SimilarityTransform, own: Floats, inside: Bools) -> _Fit:
        """Return how a picture fits that has been brought to a view."""
        moved, there = self._known.moved(detail(own), inside, view, at_some=True)
        return self._fit(view, way, np.where(there, moved, np.float32(np.nan)))

    def _fit(self, view: int, way: SimilarityTransform, shown: Floats) -> _Fit:
        agreement = correlation(np.nan_to_num(shown), self._known.wanted_at_some)
        return _Fit(view=view, way=way, agreement=agreement, shown=shown, known=self._known)


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
