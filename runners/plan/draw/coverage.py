"""How much of a depth many passes cover, exactly.

The *lane* of a frame is the depth that it holds sharp, about its plane of focus.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ....ground.types import Bools, Doubles
from ....simulator.optics import DepthOfField

#: A gap thinner than this share of a lane is a rounding error and counts as none.
_SLACK = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coverage:
    """What each of many passes covers.

    Parameters
    ----------
    share : array (passes,)
        Share of the wanted depth in the lane of some usable frame, 0 to 1.
    whole : array (passes,) of bool
        Whether it covers all of the depth.
    largest_gap_mm : array (passes,)
        Longest stretch of the depth that is in no lane, mm.
    """

    share: Doubles
    whole: Bools
    largest_gap_mm: Doubles


def cover_depth(
    planes_mm: Doubles,
    usable: Bools,
    *,
    lane: DepthOfField,
    near_mm: float,
    far_mm: float,
) -> Coverage:
    """Return how much each pass covers of the depth from near to far.

    Parameters
    ----------
    planes_mm : array (passes, frames)
        z of each frame's plane of focus in the subject, mm.
    usable : array of bool
        Which frames count; broadcasts against `planes_mm`.
    lane : DepthOfField
        Depth that a frame holds about its plane of focus.
    near_mm, far_mm : float
        The wanted depth.

    Raises
    ------
    ValueError
        `far_mm` is not behind `near_mm`.
    """
    starts, ends = _lanes(planes_mm, usable, lane, near_mm, far_mm)
    edge = np.full((len(starts), 1), near_mm)
    reached = np.concatenate([edge, ends], axis=1)
    following = np.concatenate([starts, edge + (far_mm - near_mm)], axis=1)
    gaps = np.maximum(following - reached, 0.0)
    largest = gaps.max(axis=1)
    share = 1.0 - gaps.sum(axis=1) / (far_mm - near_mm)
    whole = largest <= _SLACK * lane.total_mm
    return Coverage(share=share, whole=whole, largest_gap_mm=largest)


def needed_frames(
    planes_mm: Doubles,
    usable: Bools,
    *,
    lane: DepthOfField,
    near_mm: float,
    far_mm: float,
) -> npt.NDArray[np.int64]:
    """Return the fewest frames of each pass that cover as much as all of them, shape (passes,).

    Taking each time the frame that reaches farthest without leaving a gap gives the fewest.
    Parameters as in `cover_depth`.
    """
    starts, ends = _lanes(planes_mm, usable, lane, near_mm, far_mm)
    slack = _SLACK * lane.total_mm
    count = np.zeros(len(starts), dtype=np.int64)
    reached = np.full(len(starts), near_mm)
    waiting = np.full(len(starts), near_mm)  # end of the farthest lane that leaves no gap
    for start, end in zip(starts.T, ends.T, strict=True):
        take = (start > reached + slack) & (waiting > reached + slack)
        count += take
        reached = np.where(take, waiting, reached)
        reached = np.maximum(reached, np.where(start > reached + slack, start, reached))
        waiting = np.maximum(waiting, end)
    return count + (waiting > reached + slack)


def _lanes(
    planes_mm: Doubles, usable: Bools, lane: DepthOfField, near_mm: float, far_mm: float
) -> tuple[Doubles, Doubles]:
    """Return where the lanes start and end inside the wanted depth, near first."""
    if not near_mm < far_mm:
        raise ValueError(f"far_mm must be > near_mm, got {near_mm} .. {far_mm} mm")
    # A frame that does not count is put behind everything. All lanes are equally deep, so one
    # order sorts both their starts and their ends.
    planes = np.sort(np.where(usable, planes_mm, np.inf), axis=1)
    starts = np.clip(planes - lane.near_mm, near_mm, far_mm)
    ends = np.clip(planes + lane.far_mm, near_mm, far_mm)
    return starts, ends
