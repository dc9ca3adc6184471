"""What has to be covered, and the ways of shooting that are laid over it.

Lengths along the pass are z in mm: 0 is the nearest point wanted, positive is farther from the
camera.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil

import numpy as np

from ....ground.types import Doubles
from ....simulator.handling.approach import Approach, cover, planned_mm
from ....simulator.optics import DepthOfField


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """A depth to cover, and how the camera may be taken through it.

    Parameters
    ----------
    depth_mm : float
        Depth from the nearest to the farthest point wanted, > 0.
    lane : DepthOfField
        Depth that one frame holds sharp.
    approach : Approach
        The photographer's own: kind of pass, usual speed or step.
    overlap : float
        Share of the lane in which neighbouring frames of a regular pass overlap, 0 to below 1.
    handheld : bool
        Whether the camera sways with the body.
    slowest_mm_per_s : float
        Slowest pace at which the body can lean.
    """

    depth_mm: float
    lane: DepthOfField
    approach: Approach
    overlap: float
    handheld: bool
    slowest_mm_per_s: float = 0.0

    def too_slow(self, frames_per_s: float) -> bool:
        """Return whether overlapping frames ask for a slower pace than the body can hold."""
        pace = (1 - self.overlap) * self.lane.total_mm * frames_per_s
        return self.handheld and not self.regular and pace < self.slowest_mm_per_s

    @property
    def regular(self) -> bool:
        """Whether a pass goes in regular steps rather than in a swing of the body."""
        return goes_in_steps(self.approach)


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A way of shooting: so many passes of so many frames.

    Parameters
    ----------
    passes, frames : int
        Passes, and frames that each is planned to have; a pass that is stopped late has more.
    approach : Approach
        Of each pass.
    apart_mm : float
        How far apart the passes are laid, mm, about the approach's own place.
    """

    passes: int
    frames: int
    approach: Approach
    apart_mm: float = 0.0

    def offsets_mm(self) -> Doubles:
        """Return how far behind the approach's place each pass is laid, mm, shape (passes,)."""
        return np.asarray(self.apart_mm * (np.arange(self.passes) - (self.passes - 1) / 2))

    @property
    def total_frames(self) -> int:
        """Frames of all passes together."""
        return self.passes * self.frames


def goes_in_steps(approach: Approach) -> bool:
    """Return whether the camera or the focus stops for every frame, one step from the last."""
    return approach.kind in ("stepped", "focus-ring")


def swung_pass(
    goal: Goal, times_s: Doubles, *, lead_mm: float = 0.0, slack_mm: float = 0.0
) -> Approach:
    """Lay a swing of the body over the depth.

    It starts half a lane before the nearest point and ends half a lane behind the farthest. Where
    that would be slower than the body can lean, it is made longer at both ends.

    Parameters
    ----------
    goal : Goal
    times_s : array (frames,)
        When the frames are taken, from the first.
    lead_mm, slack_mm : float
        How much farther before it starts, and how much farther behind it ends.
    """
    near, far = -goal.lane.far_mm - lead_mm, goal.depth_mm + goal.lane.near_mm + slack_mm
    swings = 2 if goal.approach.kind == "rock" else 1
    least_mm = goal.slowest_mm_per_s * float(times_s[-1] - times_s[0]) / swings
    short_mm = max(least_mm - (far - near), 0.0)
    return cover(
        goal.approach, near_mm=near - short_mm / 2, far_mm=far + short_mm / 2, times_s=times_s
    )


def held_pass(goal: Goal) -> Approach:
    """Hold still in the middle of the depth and let the sway scan."""
    return replace(goal.approach, kind="hold", start_mm=goal.depth_mm / 2, length_mm=goal.depth_mm)


def regular_pass(goal: Goal, *, frames: int | None = None) -> Way:
    """Lay a pass of regular steps over the depth.

    Parameters
    ----------
    goal : Goal
    frames : int, optional
        Number of frames, >= 2; without it, as many as overlap as the goal says.
    """
    if frames is None:
        step_mm = (1 - goal.overlap) * goal.lane.total_mm
        frames = regular_frames(goal.depth_mm, step_mm)
    else:
        step_mm = goal.depth_mm / (frames - 1)
    travel_mm = (frames - 1) * step_mm
    approach = replace(
        goal.approach,
        start_mm=(goal.depth_mm - travel_mm) / 2,
        length_mm=travel_mm,
        step_mm=step_mm,
    )
    return Way(passes=1, frames=frames, approach=approach)


def regular_frames(depth_mm: float, step_mm: float) -> int:
    """Return how many frames regular steps take through a depth: one more than steps.

    The first plane of focus lies at the nearest point or before it, the last at the farthest or
    behind it.

    Raises
    ------
    ValueError
        Depth or step is not > 0.
    """
    if not (depth_mm > 0 and step_mm > 0):
        raise ValueError(f"depth_mm and step_mm must be > 0, got {depth_mm!r} and {step_mm!r}")
    steps = depth_mm / step_mm
    # A quotient that differs from a whole number by a rounding error is that number.
    return (round(steps) if abs(steps - round(steps)) < 1e-9 * steps else ceil(steps)) + 1


def unplanned_way(goal: Goal, times_s: Doubles) -> Way:
    """Lay one pass at the photographer's own speed or step, no margin at its ends.

    Parameters
    ----------
    goal : Goal
    times_s : array (frames,)
        When frames can be taken, from the first; no pass has more frames.
    """
    if goal.regular:
        frames = min(regular_frames(goal.depth_mm, goal.approach.step_mm), len(times_s))
        return regular_pass(goal, frames=frames)
    approach = replace(goal.approach, start_mm=0.0, length_mm=goal.depth_mm)
    places = planned_mm(approach, times_s, np.arange(len(times_s)), seed=0, scene="plan")
    arrived = np.flatnonzero(places >= goal.depth_mm * (1 - 1e-9))
    frames = int(arrived[0]) + 1 if arrived.size else len(times_s)
    return Way(passes=1, frames=frames, approach=approach)
