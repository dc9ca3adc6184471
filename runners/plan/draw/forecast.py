"""What to expect of one way of shooting: chances and shares over many drawn passes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betaincinv

from ....simulator.shooting.shoot import USABLE_GAIN_STOPS, USABLE_SMEAR_PX
from .coverage import cover_depth, needed_frames
from .rehearsal import Rehearsal, tries_of
from .way import Way


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What to expect of a way of shooting.

    Parameters
    ----------
    way : Way
    planned_s : float
        From the first to the last planned frame of a pass, with all waiting for the flash.
    duration_s : float
        The same as it really is, on average: people stop late.
    step_mm : float
        Mean intended step from frame to frame.
    step_share : float
        The same over the depth that one frame holds.
    speed_mm_per_s : float
        Mean intended speed.
    start_before_mm, end_behind_mm : float
        How far the plane of focus starts before the nearest and ends behind the farthest point.
    chance : float
        Of covering the whole depth without a gap.
    chance_interval : (low, high)
        95 % interval of the chance, for the number of drawn passes.
    share : float
        Expected share of the depth covered.
    share_low : float
        Share that 95 % of the tries exceed.
    gap_mm : float
        Mean over the tries of their largest gap.
    gap_high_mm : float
        Gap that the largest gap of 95 % of the tries stays below.
    shot_frames, kept_frames : float
        Frames of all passes that are shot, and those of them that are fit for a merge, on average.
    wasted_share : float
        Share of the frames shot that could be left out without loss.
    smeared_share, dark_share, strayed_share : float
        Share of the frames lost to motion blur, for want of light, and because an edge of the
        subject has left the picture; a frame may be lost to several.
    wander_mm : float
        How far the picture wanders sideways in a pass from where it was framed: 95 % stay below.
    tries : int
        Number of drawn tries behind the numbers.
    """

    way: Way
    planned_s: float
    duration_s: float
    step_mm: float
    step_share: float
    speed_mm_per_s: float
    start_before_mm: float
    end_behind_mm: float
    chance: float
    chance_interval: tuple[float, float]
    share: float
    share_low: float
    gap_mm: float
    gap_high_mm: float
    shot_frames: float
    kept_frames: float
    wasted_share: float
    smeared_share: float
    dark_share: float
    strayed_share: float
    wander_mm: float
    tries: int


def forecast(rehearsal: Rehearsal, way: Way) -> Forecast:
    """Return what to expect of a way of shooting.

    Parameters
    ----------
    rehearsal : Rehearsal
        With at least as many frames as the way has.
    way : Way
    """
    goal, found = rehearsal.goal, tries_of(rehearsal, way)
    lane, depth_mm, drawn = goal.lane, goal.depth_mm, found.passes
    planes, usable, taken = found.planes_mm, found.usable, found.taken
    covered = cover_depth(planes, usable, lane=lane, near_mm=0.0, far_mm=depth_mm)
    needed = needed_frames(planes, usable, lane=lane, near_mm=0.0, far_mm=depth_mm)
    meant = rehearsal.drawn.meant_mm(way)
    planned_s = float(rehearsal.times_s[way.frames - 1])
    travel_mm = float(np.abs(np.diff(meant)).sum())
    step_mm = travel_mm / max(way.frames - 1, 1)
    made = drawn.taken(way)  # pass by pass
    wander = np.where(made, np.hypot(*drawn.aside_mm), 0.0).max(axis=1)
    whole = int(covered.whole.sum())
    return Forecast(
        way=way,
        planned_s=planned_s,
        duration_s=float(np.where(made, drawn.times_s, 0.0).max(axis=1).mean()),
        step_mm=step_mm,
        step_share=step_mm / lane.total_mm,
        speed_mm_per_s=travel_mm / planned_s if planned_s > 0 else 0.0,
        start_before_mm=0.0 - float(meant.min()),
        end_behind_mm=float(meant.max()) - depth_mm,
        chance=whole / len(planes),
        chance_interval=share_interval(whole, len(planes)),
        share=float(covered.share.mean()),
        share_low=float(np.quantile(covered.share, 0.05)),
        gap_mm=float(covered.largest_gap_mm.mean()),
        gap_high_mm=float(np.quantile(covered.largest_gap_mm, 0.95)),
        shot_frames=float(taken.sum(axis=1).mean()),
        kept_frames=float(usable.sum(axis=1).mean()),
        wasted_share=1 - float(needed.mean()) / float(taken.sum(axis=1).mean()),
        smeared_share=float((drawn.smear_px > USABLE_SMEAR_PX)[made].mean()),
        dark_share=float((drawn.gain_stops < USABLE_GAIN_STOPS)[made].mean()),
        strayed_share=float(drawn.strayed[made].mean()),
        wander_mm=float(np.quantile(wander, 0.95)),
        tries=len(planes),
    )


def share_interval(hits: int, tries: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a chance that came true in `hits` of `tries`.

    By C. J. Clopper and E. S. Pearson, Biometrika 26, 404 (1934). `scipy.stats` has the same by
    search for a root, to fewer digits, and takes as long to load as a whole plan to make.
    """
    tail = (1 - level) / 2
    low = float(betaincinv(hits, tries - hits + 1, tail)) if hits > 0 else 0.0
    high = float(betaincinv(hits + 1, tries - hits, 1 - tail)) if hits < tries else 1.0
    return low, high
