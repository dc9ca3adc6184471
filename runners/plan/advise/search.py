"""The fewest frames that promise a wanted chance."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np

from ..draw.forecast import Way, coverage_of, laid_pass, regular_pass
from ..draw.passes import Passes
from ..draw.setting import Setting

#: Numbers of passes that are tried. More than a few try a living subject's patience.
PASS_COUNTS = (1, 2, 3, 4, 6)
#: Most frames of all passes together that are still a plan.
MOST_IN_ALL = 200
#: Longest pass that arms and a living subject bear, s (our choice).
LONGEST_PASS_S = 20.0
#: How far behind the last point a pass may end, in units of what the hands have wandered by then.
_SLACKS = (0.0, 1.0, 2.0)
#: One pass more has to save this share of all frames.
_WORTH_A_PASS = 0.1


def fewest(
    setting: Setting,
    drawn: Passes,
    *,
    chance: float,
    pass_counts: Iterable[int] = PASS_COUNTS,
) -> Way | None:
    """Return the way with the fewest frames that promises a chance, or None if none does.

    A way with more passes must save a tenth of the frames for each.

    Parameters
    ----------
    setting : Setting
    drawn : Passes
        Of this setting; no way has more frames a pass than they have.
    chance : float
        Wanted chance of covering the whole depth without a gap.
    pass_counts : iterable of int
        Numbers of passes to try.
    """
    best: Way | None = None
    for passes in sorted(pass_counts):
        found = _fewest_in(setting, drawn, chance, passes)
        if found is None:
            continue
        more = passes - (best.passes if best else passes)
        if best is None or found.total_frames < (1 - _WORTH_A_PASS) ** more * best.total_frames:
            best = found
        if not setting.handheld:
            break  # a second pass would be the first one over again
    return best


def best_way(setting: Setting, drawn: Passes, *, passes: int, frames: int) -> tuple[Way, float]:
    """Return the best laid way of so many passes and frames, and its chance."""
    if setting.regular:
        own = regular_pass(setting)
        laid = own if frames == own.frames else regular_pass(setting, frames=frames)
        ways = [replace(laid, passes=passes)]
    else:
        tried = {laid_pass(setting, drawn, frames=frames, slack=slack): None for slack in _SLACKS}
        ways = [Way(passes=passes, frames=frames, approach=approach) for approach in tried]
    chances = [float(coverage_of(setting, drawn, way).whole.mean()) for way in ways]
    best = max(range(len(ways)), key=lambda i: chances[i])
    return ways[best], chances[best]


def most_frames(setting: Setting, drawn: Passes, passes: int) -> int:
    """Return the most frames that each of so many passes may have; a support tires nobody."""
    if not setting.handheld:
        return len(drawn.times_s)
    in_time = int(np.count_nonzero(drawn.times_s <= LONGEST_PASS_S))
    return min(in_time, MOST_IN_ALL // passes)


def _fewest_in(setting: Setting, drawn: Passes, chance: float, passes: int) -> Way | None:
    """Return the way with the fewest frames in a given number of passes."""
    ways: dict[int, Way] = {}

    def enough(frames: int) -> bool:
        way, promised = best_way(setting, drawn, passes=passes, frames=frames)
        ways[frames] = way
        return promised >= chance

    most = most_frames(setting, drawn, passes)
    least = _least(setting, passes)
    if least > most:
        return None
    frames = _first(enough, least, most)
    return None if frames is None else ways[frames]


def _least(setting: Setting, passes: int) -> int:
    """Return fewer frames a pass than could ever do; regular steps have their overlap."""
    if setting.regular:
        return regular_pass(setting).frames
    return max(2, int(setting.depth_mm / setting.lane.total_mm / passes))


def _first(enough: Callable[[int], bool], low: int, high: int) -> int | None:
    """Return the least number from `low` to `high` that is enough; enough stays enough."""
    if enough(low):
        return low
    # Doubling first: what is enough is mostly near the low end, where trying is cheap.
    reach = low
    while not (reach == high or enough(reach)):
        low, reach = reach, min(2 * reach, high)
    if reach == high and not enough(high):
        return None
    while reach - low > 1:
        middle = (low + reach) // 2
        low, reach = (low, middle) if enough(middle) else (middle, reach)
    return reach
