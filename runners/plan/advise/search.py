"""The ways of shooting that promise most, and the fewest frames that promise a wanted chance."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from itertools import product
from math import hypot

import numpy as np

from ....ground.types import Doubles
from ....simulator.handling.approach import Approach
from ..draw.rehearsal import Rehearsal, coverage_of
from ..draw.setting import LONGEST_PASS_S
from ..draw.way import Goal, Way, held_pass, regular_pass, swung_pass

#: Numbers of passes that are tried; a living subject does not wait for more.
PASS_COUNTS = (1, 2, 3, 4, 6)
#: No plan has more frames in all (our choice).
MOST_IN_ALL = 200
#: How much farther before the nearest point a pass may start, and how much farther behind the
#: farthest it may end, in standard deviations of what the ends are missed by.
_LEADS, _SLACKS = (0.0, 1.0, 2.0), (0.0, 1.0, 2.0)
#: How far apart passes may be held, as a share of the depth over their number.
_APART = (0.0, 0.5, 1.0)
#: Tries that lays are compared on.
_LAY_TRIES = 160
#: A share covered counts so much beside a chance: it tells ways without a chance apart.
_A_TRIFLE = 1e-2
#: Numbers of frames that are tried for the best chance.
_COUNTS = 7
#: A way with more passes has to save this share of all frames for each.
_WORTH_A_PASS = 0.1


def fewest(
    rehearsal: Rehearsal, *, chance: float, pass_counts: Iterable[int] = PASS_COUNTS
) -> Way | None:
    """Return the way with the fewest frames that promises a chance, or None if none does.

    A way with more passes must save a tenth of the frames for each.

    Parameters
    ----------
    rehearsal : Rehearsal
    chance : float
        Wanted chance of covering the whole depth without a gap.
    pass_counts : iterable of int
        Numbers of passes to try.
    """
    best: Way | None = None
    for passes in sorted(pass_counts):
        found = _fewest_in(rehearsal, passes, chance=chance)
        if found is None:
            continue
        more = passes - (best.passes if best else passes)
        if best is None or found.total_frames < (1 - _WORTH_A_PASS) ** more * best.total_frames:
            best = found
        if not rehearsal.goal.handheld:
            break  # nothing sways: a second pass would repeat the first
    return best


def best_way(rehearsal: Rehearsal, *, passes: int, frames: int) -> tuple[Way, float]:
    """Return the way of so many passes and frames whose chance is best, and its chance."""
    ways = list(_lays(rehearsal, passes=passes, frames=frames))
    if len(ways) > 1:
        few = rehearsal.first(_LAY_TRIES)
        worth = [_worth(few, way) for way in ways]
        ways = [ways[int(np.argmax(worth))]]
    return ways[0], float(coverage_of(rehearsal, ways[0]).whole.mean())


def best_effort(rehearsal: Rehearsal, *, pass_counts: Iterable[int] = PASS_COUNTS) -> Way:
    """Return the way with the best chance, of those that a plan may have.

    Where there is no chance at all, it is the one that covers most on average.
    """
    ways = [
        best_way(rehearsal, passes=passes, frames=frames)[0]
        for passes in pass_counts
        for frames in _counts(_least(rehearsal.goal, passes), most_frames(rehearsal, passes))
    ]
    return max(ways, key=lambda way: _worth(rehearsal, way))


def most_frames(rehearsal: Rehearsal, passes: int) -> int:
    """Return the most frames that each of so many passes may have; a support tires nobody."""
    times_s = rehearsal.times_s
    if not rehearsal.goal.handheld:
        return len(times_s)
    in_time = int(np.count_nonzero(times_s <= LONGEST_PASS_S))
    return max(2, min(in_time, len(times_s), MOST_IN_ALL // passes))


def _worth(rehearsal: Rehearsal, way: Way) -> float:
    found = coverage_of(rehearsal, way)
    return float(found.whole.mean() + _A_TRIFLE * found.share.mean())


def _counts(least: int, most: int) -> list[int]:
    """Return numbers of frames to try, in equal ratios."""
    least = min(least, most)
    return sorted({round(count) for count in np.geomspace(least, most, _COUNTS)})


def _lays(rehearsal: Rehearsal, *, passes: int, frames: int) -> Iterator[Way]:
    """Give the ways in which so many passes and frames may be laid over the depth."""
    goal = rehearsal.goal
    if goal.regular:
        own = regular_pass(goal)
        laid = own if frames == own.frames else regular_pass(goal, frames=frames)
        yield replace(laid, passes=passes)
        return
    times_s = rehearsal.times_s[:frames]
    for approach in dict.fromkeys(_swings(rehearsal, times_s)):
        yield Way(passes=passes, frames=frames, approach=approach)
    if goal.too_slow(frames_per_s(times_s)):
        for share in _APART if passes > 1 else (0.0,):
            apart_mm = share * goal.depth_mm / passes
            yield Way(passes=passes, frames=frames, approach=held_pass(goal), apart_mm=apart_mm)


def frames_per_s(times_s: Doubles) -> float:
    """Return the mean rate of some frames."""
    return float((len(times_s) - 1) / (times_s[-1] - times_s[0])) if len(times_s) > 1 else 1.0


def _swings(rehearsal: Rehearsal, times_s: Doubles) -> Iterator[Approach]:
    """Give a swing of the body with every lead and slack."""
    drawn = rehearsal.drawn
    wandered_mm = float(drawn.along_mm[:, len(times_s) - 1].std())
    start_mm, stop_mm = (
        float(np.std(missed)) for missed in (drawn.ends.start_mm, drawn.ends.stop_mm)
    )
    for lead, slack in product(_LEADS, _SLACKS):
        yield swung_pass(
            rehearsal.goal,
            times_s,
            lead_mm=lead * start_mm,
            slack_mm=slack * hypot(stop_mm, wandered_mm),
        )


def _fewest_in(rehearsal: Rehearsal, passes: int, *, chance: float) -> Way | None:
    """Return the way with the fewest frames in a given number of passes."""
    ways: dict[int, Way] = {}

    def enough(frames: int) -> bool:
        ways[frames], promised = best_way(rehearsal, passes=passes, frames=frames)
        return promised >= chance

    least, most = _least(rehearsal.goal, passes), most_frames(rehearsal, passes)
    if least > most:
        return None
    frames = _first(enough, least, most)
    return None if frames is None else ways[frames]


def _least(goal: Goal, passes: int) -> int:
    """Return a number of frames a pass below which no way can do; regular steps overlap."""
    if goal.regular:
        return regular_pass(goal).frames
    return max(2, int(goal.depth_mm / goal.lane.total_mm / passes))


def _first(enough: Callable[[int], bool], low: int, high: int) -> int | None:
    """Return the least number from `low` to `high` that is enough, or None.

    Whatever is more than enough must be enough too.
    """
    if enough(low):
        return low
    # Doubling first: the answer is mostly near the low end, where trying is cheap.
    reach = low
    while not (reach == high or enough(reach)):
        low, reach = reach, min(2 * reach, high)
    if reach == high and not enough(high):
        return None
    while reach - low > 1:
        middle = (low + reach) // 2
        low, reach = (low, middle) if enough(middle) else (middle, reach)
    return reach
