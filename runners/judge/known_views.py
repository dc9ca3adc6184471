"""What the search for a picture's view needs of a stack, worked out once for all its pictures."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from ...ground.srgb import clipped_srgb, luma
from ...ground.types import Bools, Doubles, Floats
from ...simulator.shooting.any_shoot import AnyShoot
from ...simulator.shooting.motion import Nearest, places_in, points_in
from ...simulator.shooting.truth import Truth
from .agreement import detail
from .matches import KeyPoints, features
from .seen_by_frames import SeenByFrames

#: Only each such row and column is compared at first.
STRIDE_PX = 3


@dataclass(frozen=True, eq=False)
class KnownViews:
    """The views of a stack's frames, from that of its truth.

    Parameters
    ----------
    shoot : AnyShoot
    truth : Truth
        In the view of any frame.
    sharp : bool
        Whether pictures are compared with the ideal, not with what the frames allow.
    sights : SeenByFrames or None
        What the frames see, as other views of the shoot know it; None: found here.
    """

    shoot: AnyShoot
    truth: Truth
    sharp: bool = False
    sights: SeenByFrames | None = None
    _points: dict[int, Doubles] = field(default_factory=dict)
    _places: dict[int, Floats] = field(default_factory=dict)

    @cached_property
    def target(self) -> Floats:
        """Luma of what pictures are compared with, (rows, cols).

        What the frames allow has the blur of the best frame where none is sharp, as results have.
        """
        return luma(clipped_srgb(self.truth.ideal if self.sharp else self.truth.achievable))

    @cached_property
    def ideal(self) -> KnownViews:
        """The same views, for pictures that are sharper than any frame."""
        other = replace(self, sharp=True)
        other.__dict__["seen"] = self.seen
        return other

    @cached_property
    def judged(self) -> Bools:
        """Where the truth is known, (rows, cols)."""
        return self.truth.mask("valid")

    @cached_property
    def wanted(self) -> Floats:
        """The target's detail, blank where the truth is not known, (rows, cols)."""
        return np.where(self.judged, detail(self.target), np.float32(0))

    @cached_property
    def features(self) -> KeyPoints | None:
        """KeyPoints of the target; None: it has none."""
        return features(self.target)

    @cached_property
    def seen(self) -> Nearest:
        """What the truth's view shows."""
        sights = self.sights or SeenByFrames(self.shoot)
        return sights.nearest(self.truth.reference)

    @cached_property
    def some(self) -> tuple[slice, slice]:
        """The points of the truth's view that are compared: every third row and column."""
        return slice(STRIDE_PX // 2, None, STRIDE_PX), slice(STRIDE_PX // 2, None, STRIDE_PX)

    @cached_property
    def wanted_at_some(self) -> Floats:
        """The target's detail at those points, (rows, cols)."""
        return np.ascontiguousarray(self.wanted[self.some])

    @cached_property
    def slopes_at_some(self) -> tuple[Floats, Floats]:
        """Slopes of the target's detail at those points, per px down and across."""
        down, right = (np.gradient(self.wanted, axis=axis)[self.some] for axis in (0, 1))
        return down, right

    def points_in(self, view: int) -> Doubles:
        """Return (row, column) in a frame's view of those points, (points, 2); NaN outside."""
        if view not in self._points:
            every = np.indices(self.wanted.shape)
            rows, cols = every[0][self.some].ravel(), every[1][self.some].ravel()
            self._points[view] = points_in(self.seen, self.shoot.camera(view), rows, cols)
        return self._points[view]

    def places_in(self, view: int) -> Floats:
        """Return (row, column) in a frame's view of what each point shows; NaN where it does not.

        What the truth's view does not show hides nothing here, which costs a tenth of the time.
        """
        if view not in self._places:
            self._places[view] = places_in(self.seen, self.shoot.camera(view), all_hides=False)
        return self._places[view]

    def moved(
        self, own: Floats, inside: Bools, view: int, *, at_some: bool = False
    ) -> tuple[Floats, Bools]:
        """Return a plane of a view as the truth's view sees it, and where that can be judged.

        Parameters
        ----------
        own : array (rows, cols)
        inside : array (rows, cols) of bool
            Where it has values of its own.
        view : int
        at_some : bool
            Whether at some points alone.
        """
        places, judged = self.places_in(view), self.judged
        if at_some:
            places, judged = places[self.some], judged[self.some]
        there = judged & np.isfinite(places[..., 0])
        at = np.moveaxis(np.where(there[..., None], places, np.float32(0)), -1, 0)
        if not inside.all():
            there = there & (values_at(inside.astype(np.float32), at, order=1) > 0.99)
        return values_at(own, at, order=3), there


def values_at(plane: Floats, at: npt.NDArray[Any], *, order: int) -> Floats:
    """Return a plane's values at (rows, cols), by a spline of an order; the edge goes on."""
    found: Floats = ndimage.map_coordinates(
        plane, at, order=order, mode="nearest", output=np.float32
    )
    return found
