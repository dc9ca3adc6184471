"""A rehearsal: drawn passes on which ways of reaching a goal are tried."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ....ground.types import Bools, Doubles
from ....simulator.optics import DepthOfField
from .coverage import Coverage, cover_depth
from .passes import Passes
from .way import Goal, Way


@dataclass(frozen=True, kw_only=True, eq=False)
class Rehearsal:
    """A goal, and passes drawn to try ways of reaching it.

    Parameters
    ----------
    goal : Goal
    drawn : Passes
        No way that is tried has more frames a pass.
    """

    goal: Goal
    drawn: Passes

    def first(self, passes: int) -> Rehearsal:
        """Return the rehearsal with the first of its passes alone."""
        return replace(self, drawn=self.drawn.first(passes))

    def with_lane(self, lane: DepthOfField) -> Rehearsal:
        """Return the same passes with frames that hold another depth."""
        return replace(self, goal=replace(self.goal, lane=lane))


def tries_of(drawn: Passes, way: Way) -> tuple[Doubles, Bools]:
    """Return planes of focus, mm, and usable frames, both of shape (tries, frames in all).

    A try takes as many drawn passes as the way has.

    Raises
    ------
    ValueError
        Fewer passes were drawn than the way has.
    """
    planes = drawn.planes_mm(way)
    tries = len(planes) // way.passes
    if tries == 0:
        raise ValueError(f"{len(planes)} drawn passes are too few for a way of {way.passes}")
    shape = (tries, way.total_frames)
    rows = slice(tries * way.passes)
    return planes[rows].reshape(shape), drawn.usable[rows, : way.frames].reshape(shape)


def coverage_of(rehearsal: Rehearsal, way: Way) -> Coverage:
    """Return what every try of a way covers."""
    goal = rehearsal.goal
    planes, usable = tries_of(rehearsal.drawn, way)
    return cover_depth(planes, usable, lane=goal.lane, near_mm=0.0, far_mm=goal.depth_mm)
