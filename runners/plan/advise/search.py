"""The fewest frames that promise a wanted chance."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np

from ..draw.rehearsal import Rehearsal, coverage_of
from ..draw.way import Goal, Way, regular_pass, swung_pass

#: Numbers of passes that are tried; a living subject does not wait for more.
PASS_COUNTS = (1, 2, 3, 4, 6)
#: No plan has more frames in all (our choice).
MOST_IN_ALL = 200
#: Longest pass that arms and a living subject bear, s (our choice).
LONGEST_PASS_S = 20.0
#: How far behind the farthest point a pass may end, in units of how far the hands have wandered
#: by then (standard deviation).
_SLACKS = (0.0, 1.0, 2.0)
#: Each pass more has to save this share of all frames.
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
    goal, drawn = rehearsal.goal, rehearsal.drawn
    if goal.regular:
        own = regular_pass(goal)
        laid = own if frames == own.frames else regular_pass(goal, frames=frames)
        ways = [replace(laid, passes=passes)]
    else:
        times_s = drawn.times_s[:frames]
        wandered_mm = float(drawn.along_mm[:, frames - 1].std())
        laid_at = {swung_pass(goal, times_s, slack_mm=n * wandered_mm): None for n in _SLACKS}
        ways = [Way(passes=passes, frames=frames, approach=approach) for approach in laid_at]
    chances = [float(coverage_of(rehearsal, way).whole.mean()) for way in ways]
    best = max(range(len(ways)), key=lambda i: chances[i])
    return ways[best], chances[best]


def best_effort(rehearsal: Rehearsal) -> Way:
    """Return the way that covers most, on average, with the most frames that a plan may have."""
    ways = [
        best_way(rehearsal, passes=passes, frames=most_frames(rehearsal, passes))[0]
        for passes in PASS_COUNTS
    ]
    return max(ways, key=lambda way: float(coverage_of(rehearsal, way).share.mean()))


def most_frames(rehearsal: Rehearsal, passes: int) -> int:
    """Return the most frames that each of so many passes may have; a support tires nobody."""
    times_s = rehearsal.drawn.times_s
    if not rehearsal.goal.handheld:
        return len(times_s)
    in_time = int(np.count_nonzero(times_s <= LONGEST_PASS_S))
    return min(in_time, MOST_IN_ALL // passes)


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
