"""What a plan is made for: lens, hands, light, subject, and what is wanted of the pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import hypot, isfinite

import numpy as np

from ....simulator.handling.flash import frame_times
from ....simulator.handling.hands import Stance
from ....simulator.handling.light import Light
from ....simulator.handling.sway import Subject
from ....simulator.optics import DepthOfField, rig_f_number
from ....simulator.rig import Rig, stopped_to
from .conditions import Conditions, Framing, framing_of
from .passes import draw_in_lights, draw_passes
from .rehearsal import Rehearsal
from .sharpness import Sharpness, lane_of
from .way import Goal

#: Chance of a pass without a gap that a plan aims at, unless another is asked for.
WANTED_CHANCE = 0.9
#: Share of the depth of field in which regular steps overlap: 20 to 50 % is common practice, no
#: source; the stacks that the simulator plans by itself use the same.
OVERLAP = 0.4
#: Longest pass that arms and a living subject bear, s (our choice).
LONGEST_PASS_S = 20.0
#: Standard deviations of how much a pass is missed, that are drawn for.
_NEARLY_ALL = 3.0


@dataclass(frozen=True, kw_only=True)
class Setting:
    """What a plan is made for; what follows from it is derived once.

    Parameters
    ----------
    rig : Rig
    stance : Stance
        With the kind and the speed of its pass.
    light : Light
    subject : Subject
    depth_mm : float
        Depth of the subject that has to be sharp, mm.
    sharpness : Sharpness
    chance : float
        Wanted chance of a pass without a gap, between 0 and 1.
    overlap : float
        Share of the depth of field in which neighbouring frames of a regular pass overlap, from 0
        to less than 1.
    subject_mm : float or None
        How wide and high the subject is, > 0; None takes half of what the picture shows.

    Raises
    ------
    ValueError
        A value out of its range, or detail asked for that the lens does not show.
    """

    rig: Rig
    stance: Stance
    light: Light
    subject: Subject
    depth_mm: float
    sharpness: Sharpness
    chance: float = WANTED_CHANCE
    overlap: float = OVERLAP
    subject_mm: float | None = None

    def __post_init__(self) -> None:
        if not (isfinite(self.depth_mm) and self.depth_mm > 0):
            raise ValueError(f"depth_mm must be finite and > 0, got {self.depth_mm!r}")
        if self.subject_mm is not None and not (isfinite(self.subject_mm) and self.subject_mm > 0):
            raise ValueError(f"subject_mm must be finite and > 0, got {self.subject_mm!r}")
        if not 0 < self.chance < 1:
            raise ValueError(f"chance must be > 0 and < 1, got {self.chance!r}")
        if not 0 <= self.overlap < 1:
            raise ValueError(f"overlap must be >= 0 and < 1, got {self.overlap!r}")
        _ = self.lane  # raises where no depth holds the sharpness

    @cached_property
    def lane(self) -> DepthOfField:
        """The depth that one frame holds sharp."""
        return lane_of(self.rig, self.sharpness)

    @cached_property
    def framing(self) -> Framing:
        """How the picture lies on the subject."""
        return framing_of(self.rig, subject_mm=self.subject_mm)

    @cached_property
    def working_f_number(self) -> float:
        """The f-number at which the lens works at its magnification."""
        return rig_f_number(self.rig)

    @cached_property
    def conditions(self) -> Conditions:
        """What passes are drawn from."""
        return Conditions(
            stance=self.stance, light=self.light, subject=self.subject, framing=self.framing
        )

    @cached_property
    def goal(self) -> Goal:
        """What has to be covered, and how the camera may be taken through it."""
        return Goal(
            depth_mm=self.depth_mm,
            lane=self.lane,
            approach=self.stance.approach,
            overlap=self.overlap,
            handheld=any(self.stance.sway_mm),
            slowest_mm_per_s=self.stance.slowest_mm_per_s,
        )

    def rehearse(self, *, frames: int, passes: int, seed: int = 0, together: int = 1) -> Rehearsal:
        """Draw passes to try ways of shooting on.

        Parameters
        ----------
        frames : int
            Most frames that a way may plan for a pass; more are drawn for passes that are stopped
            late.
        passes : int
            Number of drawn passes.
        seed : int
        together : int
            Passes of the largest way: all ways up to it have the same tries.
        """
        columns = self.columns(self.light, frames)
        drawn = draw_passes(self.conditions, frames=columns, passes=passes, seed=seed)
        return Rehearsal(
            goal=self.goal, drawn=drawn, frames=frames, tries=max(passes // together, 1)
        )

    def rehearse_lights(
        self, lights: Sequence[Light], *, frames: int, passes: int, seed: int, together: int
    ) -> list[Rehearsal]:
        """Draw the same moves of hands and subject in several lights, as in `rehearse`."""
        planned = [self._in_time(light, frames) for light in lights]
        columns = [self.columns(light, count) for light, count in zip(lights, planned, strict=True)]
        drawn = draw_in_lights(self.conditions, lights, frames=columns, passes=passes, seed=seed)
        tries = max(passes // together, 1)
        return [
            Rehearsal(goal=self.goal, drawn=one, frames=count, tries=tries)
            for one, count in zip(drawn, planned, strict=True)
        ]

    def columns(self, light: Light, frames: int) -> int:
        """Return how many frames have to be drawn for passes planned with some, stopped late."""
        more_s = self._late_s
        if more_s == 0:
            return frames
        most = frames + 2 + int(more_s * light.cadence.frames_per_s)
        times_s = frame_times(light, most, seed=0, scene="plan")
        until_s = times_s[frames - 1] + more_s
        return max(frames, int(np.searchsorted(times_s, until_s, side="right")))

    def _in_time(self, light: Light, frames: int) -> int:
        if not self.goal.handheld:
            return frames
        times_s = frame_times(light, frames, seed=0, scene="plan")
        return max(2, int(np.count_nonzero(times_s <= LONGEST_PASS_S)))

    @property
    def _late_s(self) -> float:
        """How much longer than planned nearly all passes last, s."""
        stance = self.stance
        if self.goal.regular:
            return 0.0
        missed_mm = _NEARLY_ALL * hypot(stance.start_error_mm, stance.stop_error_mm)
        return min(stance.reaction_s + missed_mm / stance.slowest_mm_per_s, LONGEST_PASS_S)

    def at_f_number(self, f_number: float) -> Setting:
        """Return the same setting with the lens at another marked f-number."""
        return replace(self, rig=stopped_to(self.rig, f_number))
