"""A rehearsal: drawn passes on which ways of reaching a goal are tried."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from ....ground.types import Bools, Doubles
from ....simulator.optics import DepthOfField
from .coverage import Coverage, cover_depth
from .passes import Passes
from .way import Goal, Way

_Kind = TypeVar("_Kind", bound=np.generic)


@dataclass(frozen=True, kw_only=True, eq=False)
class Rehearsal:
    """A goal, and passes drawn to try ways of reaching it.

    Parameters
    ----------
    goal : Goal
    drawn : Passes
        With frames beyond those that a way may have, for passes that are stopped late.
    frames : int
        Most frames that a way may plan for a pass.
    tries : int
        Tries of a way; one of so many passes that there are too few has fewer. A way with more
        passes has those of a way with fewer, try by try, and others.
    """

    goal: Goal
    drawn: Passes
    frames: int
    tries: int

    @property
    def times_s(self) -> Doubles:
        """When the frames that a way may plan for are taken, s."""
        return self.drawn.times_s[: self.frames]

    def first(self, tries: int) -> Rehearsal:
        """Return the rehearsal with the first of its tries alone."""
        if tries >= self.tries:
            return self
        blocks = len(self.drawn.along_mm) // self.tries
        rows = self.tries * np.arange(blocks)[:, np.newaxis] + np.arange(tries)
        return replace(self, drawn=self.drawn.rows(rows.ravel()), tries=tries)

    def with_lane(self, lane: DepthOfField) -> Rehearsal:
        """Return the same passes with frames that hold another depth."""
        return replace(self, goal=replace(self.goal, lane=lane))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tries:
    """What a way comes to in every try, arrays of shape (tries, frames of all passes).

    A pass that was stopped early leaves frames that were not taken.

    Parameters
    ----------
    planes_mm : array
        z of the planes of focus.
    taken : array of bool
        Whether there is such a frame.
    usable : array of bool
        Whether it was taken and counts.
    passes : Passes
        The drawn passes behind them: the first pass of every try, then the second, and so on.
    """

    planes_mm: Doubles
    taken: Bools
    usable: Bools
    passes: Passes


def tries_of(rehearsal: Rehearsal, way: Way) -> Tries:
    """Return what a way comes to in every try.

    Raises
    ------
    ValueError
        Fewer passes were drawn than the way has.
    """
    drawn = rehearsal.drawn
    tries = min(rehearsal.tries, len(drawn.along_mm) // way.passes)
    if tries == 0:
        raise ValueError(
            f"{len(drawn.along_mm)} drawn passes are too few for a way of {way.passes}"
        )
    drawn = drawn.rows(slice(tries * way.passes))
    taken = drawn.taken(way)
    columns = int(np.flatnonzero(taken.any(axis=0))[-1]) + 1
    drawn, taken = drawn.until(columns), taken[:, :columns]
    planes = drawn.planes_mm(way).reshape(way.passes, tries, columns)
    planes += way.offsets_mm()[:, np.newaxis, np.newaxis]
    shape = (way.passes, tries, columns)
    return Tries(
        planes_mm=_side_by_side(planes),
        taken=_side_by_side(taken.reshape(shape)),
        usable=_side_by_side((taken & drawn.usable).reshape(shape)),
        passes=drawn,
    )


def coverage_of(rehearsal: Rehearsal, way: Way) -> Coverage:
    """Return what every try of a way covers."""
    goal, found = rehearsal.goal, tries_of(rehearsal, way)
    return cover_depth(
        found.planes_mm, found.usable, lane=goal.lane, near_mm=0.0, far_mm=goal.depth_mm
    )


def _side_by_side(passes: npt.NDArray[_Kind]) -> npt.NDArray[_Kind]:
    """Put the passes of a try after each other: (passes, tries, frames) to (tries, all)."""
    return np.swapaxes(passes, 0, 1).reshape(passes.shape[1], -1)
