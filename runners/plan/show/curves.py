"""What the plots of a plan show: chance over frames, and the lanes of one typical pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ....ground.types import Bools, Doubles
from ..advise.advice import Plan
from ..advise.search import best_way, most_frames
from ..draw.rehearsal import Rehearsal, coverage_of, tries_of
from ..draw.way import Way

#: Drawn passes behind a curve, and points on it.
_CURVE_PASSES, _POINTS = 1200, 14
#: Tries of which the typical one is the median.
_TYPICAL_TRIES = 200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChanceCurve:
    """Chance and share over the number of frames, for a number of passes.

    Parameters
    ----------
    passes : int
    frames : array (points,)
        Of all passes together.
    chance, share : array (points,)
        Chance of no gap, and expected share covered.
    tries : int
        Drawn tries behind them.
    """

    passes: int
    frames: npt.NDArray[np.int64]
    chance: Doubles
    share: Doubles
    tries: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lanes:
    """The lanes of depth of one drawn try.

    Parameters
    ----------
    way : Way
    near_mm, far_mm : array (frames,)
        Ends of each frame's lane, in the order of shooting; z = 0 is the nearest point wanted.
    usable : array (frames,)
    later_passes : tuple of int
        First frame of every pass after the first.
    share : float
        Share of the depth that the try covers.
    """

    way: Way
    near_mm: Doubles
    far_mm: Doubles
    usable: Bools
    later_passes: tuple[int, ...]
    share: float


def chance_curves(plan: Plan, *, most: int, pass_counts: Sequence[int]) -> list[ChanceCurve]:
    """Return chance and share up to a number of frames in all, each pass laid at its best."""
    rehearsal = plan.setting.rehearse(
        frames=most, passes=_CURVE_PASSES, seed=plan.seed, together=max(pass_counts)
    )
    curves = []
    for passes in pass_counts:
        top = min(most_frames(rehearsal, passes), most // passes)
        if top < 2:
            continue
        laid = _laid(plan, rehearsal, passes=passes, top=top)
        counts = sorted(laid)
        curves.append(
            ChanceCurve(
                passes=passes,
                frames=passes * np.array(counts),
                chance=np.array([laid[count][0] for count in counts]),
                share=np.array([laid[count][1] for count in counts]),
                tries=rehearsal.tries,
            )
        )
    return curves


def _laid(
    plan: Plan, rehearsal: Rehearsal, *, passes: int, top: int
) -> dict[int, tuple[float, float]]:
    """Return chance and share by the frames of a pass; what is advised is laid as advised."""
    found = {}
    for count in np.unique(np.rint(np.linspace(2, top, _POINTS)).astype(int)).tolist():
        way, chance = best_way(rehearsal, passes=passes, frames=count)
        found[count] = chance, float(coverage_of(rehearsal, way).share.mean())
    advised = plan.advised
    if advised.way.passes == passes:
        found[advised.way.frames] = advised.chance, advised.share
    return found


def typical_lanes(plan: Plan, way: Way) -> Lanes:
    """Return the lanes of the try whose share covered is the median of all tries."""
    passes = _TYPICAL_TRIES * way.passes
    rehearsal = plan.setting.rehearse(
        frames=way.frames, passes=passes, seed=plan.seed, together=way.passes
    )
    lane = rehearsal.goal.lane
    share = coverage_of(rehearsal, way).share
    rank = int(np.argsort(share, kind="stable")[len(share) // 2])
    found = tries_of(rehearsal, way)
    taken = found.taken[rank]
    planes = found.planes_mm[rank, taken]
    first = np.cumsum(taken.reshape(way.passes, -1).sum(axis=1))[:-1]
    return Lanes(
        way=way,
        near_mm=planes - lane.near_mm,
        far_mm=planes + lane.far_mm,
        usable=found.usable[rank, taken],
        later_passes=tuple(int(frame) for frame in first),
        share=float(share[rank]),
    )


def stretches(lanes: Lanes, depth_mm: float) -> list[tuple[float, float, bool]]:
    """Return the stretches of the depth that are held and not held, from near to far."""
    order = np.argsort(lanes.near_mm)
    found: list[tuple[float, float, bool]] = []
    reached = 0.0
    for frame in order[lanes.usable[order]]:
        near, far = float(lanes.near_mm[frame]), min(float(lanes.far_mm[frame]), depth_mm)
        if near > reached:
            found.append((reached, min(near, depth_mm), False))
            reached = min(near, depth_mm)
        if far > reached:
            found.append((reached, far, True))
            reached = far
    if reached < depth_mm * (1 - 1e-9):
        found.append((reached, depth_mm, False))
    return [(near, far, held) for near, far, held in found if far > near]
