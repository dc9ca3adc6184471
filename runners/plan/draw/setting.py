"""What a plan is made for: lens, hands, light, subject, and what is wanted of the pictures."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from math import isfinite

from ....simulator.handling.hands import Stance
from ....simulator.handling.light import Light
from ....simulator.handling.sway import Subject
from ....simulator.optics import DepthOfField, rig_f_number
from ....simulator.rig import Rig, stopped_to
from .conditions import Conditions, Framing, framing_of
from .passes import draw_passes
from .rehearsal import Rehearsal
from .sharpness import Sharpness, lane_of
from .way import Goal

#: Chance of a pass without a gap that a plan aims at, unless another is asked for.
WANTED_CHANCE = 0.9
#: Share of the depth of field in which regular steps overlap: 20 to 50 % is common practice, no
#: source; the stacks that the simulator plans by itself use the same.
OVERLAP = 0.4


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

    def __post_init__(self) -> None:
        if not (isfinite(self.depth_mm) and self.depth_mm > 0):
            raise ValueError(f"depth_mm must be finite and > 0, got {self.depth_mm!r}")
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
        return framing_of(self.rig)

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
        )

    def rehearse(self, *, frames: int, passes: int, seed: int = 0) -> Rehearsal:
        """Draw passes to try ways of shooting on; arguments as of `draw_passes`."""
        drawn = draw_passes(self.conditions, frames=frames, passes=passes, seed=seed)
        return Rehearsal(goal=self.goal, drawn=drawn)

    def at_f_number(self, f_number: float) -> Setting:
        """Return the same setting with the lens at another marked f-number."""
        return replace(self, rig=stopped_to(self.rig, f_number))
