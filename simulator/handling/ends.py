"""How people start and stop a pass: not quite where they meant to, and late at the end.

A photographer presses when the plane of focus seems to be where the pass should start, goes
through the subject, sees the plane pass where it should end, and lets go a reaction time later.
Both places are missed by an error of their own. Someone who holds still has no place to stop at
and stops by time. A pass in counted steps stops where it should, wherever it started.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...ground.types import Doubles
from ..streams import stream
from .approach import Approach
from .hands import Stance

#: A move whose start is missed beyond its end is over at once; its length is this, mm.
_SHORTEST_MM = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Ends:
    """By how much one pass misses its ends.

    Parameters
    ----------
    start_mm, stop_mm : float or array (passes,)
        How far behind its place the start is, and how far behind its place the end is taken to be.
    reaction_s : float
        How long the burst goes on after the end was seen.
    """

    start_mm: float | Doubles
    stop_mm: float | Doubles
    reaction_s: float


def draw_ends(stance: Stance, *, seed: int, scene: str) -> Ends:
    """Draw by how much a pass in a stance misses its ends; both are normal and independent."""
    start, stop = stream(seed, scene, "pass-ends").standard_normal(2)
    return Ends(
        start_mm=stance.start_error_mm * float(start),
        stop_mm=stance.stop_error_mm * float(stop),
        reaction_s=stance.reaction_s,
    )


def goes_to_a_place(approach: Approach) -> bool:
    """Return whether a pass ends where something is seen, and not by time or by count."""
    return approach.kind in ("lean", "rock")


def true_length_mm(approach: Approach, ends: Ends) -> Doubles:
    """Return how long the move of the body really is, mm: from the true start to the true end."""
    if not goes_to_a_place(approach):
        return np.asarray(approach.length_mm, dtype=float)
    return np.maximum(approach.length_mm + ends.stop_mm - ends.start_mm, _SHORTEST_MM)


def lasts_s(approach: Approach, ends: Ends, *, planned_s: float) -> Doubles:
    """Return how long the burst really goes on, s.

    Parameters
    ----------
    approach : Approach
    ends : Ends
    planned_s : float
        Time from the first to the last frame, if nothing is missed.
    """
    if approach.kind in ("stepped", "focus-ring"):
        return np.asarray(planned_s, dtype=float)
    swings = 2 if approach.kind == "rock" else 1
    longer_mm = true_length_mm(approach, ends) - approach.length_mm
    return planned_s + swings * longer_mm / approach.speed_mm_per_s + ends.reaction_s


def performed(
    approach: Approach, times_s: Doubles, *, frames: int, ends: Ends
) -> tuple[Approach, int]:
    """Return the pass as it is really made, and its frames, >= 1.

    Parameters
    ----------
    approach : Approach
        As it was planned.
    times_s : array
        When frames can be taken, from the first; the burst ends with the last of them at latest.
    frames : int
        As planned, at most as many as there are times.
    ends : Ends
        Of this pass, single numbers.
    """
    if approach.kind in ("stepped", "focus-ring"):
        made = frames
    else:
        lasts = float(lasts_s(approach, ends, planned_s=float(times_s[frames - 1])))
        made = max(1, int(np.searchsorted(times_s, lasts * (1 + 1e-9), side="right")))
    start = approach.start_mm + float(ends.start_mm)
    length = float(true_length_mm(approach, ends))
    return replace(approach, start_mm=start, length_mm=length), made
