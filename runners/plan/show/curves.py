"""What the plots of a plan show: chance over frames, and the lanes of one typical pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..advise.search import best_way, most_frames
from ..draw.forecast import Way, coverage_of
from ..draw.passes import draw_passes
from ..draw.setting import Setting

Doubles = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_CURVE_PASSES = 1200
_POINTS = 18


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
    share : float
        Share of the depth that the try covers.
    """

    way: Way
    near_mm: Doubles
    far_mm: Doubles
    usable: Bools
    share: float


def chance_curves(
    setting: Setting, *, most: int, pass_counts: Sequence[int], seed: int = 0
) -> list[ChanceCurve]:
    """Return chance and share up to a number of frames in all, each pass laid at its best."""
    drawn = draw_passes(setting.conditions, frames=most, passes=_CURVE_PASSES, seed=seed)
    curves = []
    for passes in pass_counts:
        top = min(most_frames(setting, drawn, passes), most // passes)
        if top < 2:
            continue
        counts = np.unique(np.rint(np.linspace(2, top, _POINTS)).astype(np.int64))
        ways = [best_way(setting, drawn, passes=passes, frames=int(n)) for n in counts]
        shares = [float(coverage_of(setting, drawn, way).share.mean()) for way, _ in ways]
        curves.append(
            ChanceCurve(
                passes=passes,
                frames=passes * counts,
                chance=np.array([chance for _, chance in ways]),
                share=np.array(shares),
                tries=_CURVE_PASSES // passes,
            )
        )
    return curves


def typical_lanes(setting: Setting, way: Way, *, seed: int = 0) -> Lanes:
    """Return the lanes of a try that covers as much as half of all tries do, or more."""
    drawn = draw_passes(setting.conditions, frames=way.frames, passes=200 * way.passes, seed=seed)
    share = coverage_of(setting, drawn, way).share
    rank = int(np.argsort(share, kind="stable")[len(share) // 2])
    rows = slice(rank * way.passes, (rank + 1) * way.passes)
    planes = drawn.planes_mm(way.approach, way.frames)[rows].ravel()
    return Lanes(
        way=way,
        near_mm=planes - setting.lane.near_mm,
        far_mm=planes + setting.lane.far_mm,
        usable=drawn.usable[rows, : way.frames].ravel(),
        share=float(share[rank]),
    )
