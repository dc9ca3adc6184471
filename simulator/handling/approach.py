"""The intended part of a pass: how the plane of focus is meant to go through the subject."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import numpy.typing as npt
from pydantic import Field
from pydantic.dataclasses import dataclass

from ...ground.types import Doubles
from ..rig import STRICT
from ..streams import stream


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Approach:
    """How the plane of focus is meant to travel.

    Parameters
    ----------
    kind : {"lean", "rock", "hold", "stepped", "focus-ring"}
        One slow pass; to and fro; held still while the sway alone takes the plane of focus through
        the subject; one regular step a frame on a support; the camera held still while the lens is
        refocused in regular steps.
    profile : {"constant", "min-jerk"}
        Speed of a lean: constant, going on behind the end as a body does, or the smoothest
        start and stop (Flash and Hogan, J. Neurosci. 5, 1688, 1985; from memory).
    start_mm : float
        Where the plane of focus starts, mm; positive is farther from the camera.
    length_mm : float
        Length of the pass (lean with min-jerk, rock), mm.
    speed_mm_per_s : float
        Mean speed of a lean or a rock, mm/s.
    step_mm : float
        Step from frame to frame (stepped, focus-ring), mm.
    step_error_mm : float
        Standard deviation of each stop about its place (stepped, focus-ring), mm.
    """

    kind: Literal["lean", "rock", "hold", "stepped", "focus-ring"] = "lean"
    profile: Literal["constant", "min-jerk"] = "constant"
    start_mm: float = 0.0
    length_mm: float = Field(default=5.0, gt=0)
    speed_mm_per_s: float = Field(default=5.0, gt=0)
    step_mm: float = Field(default=0.1, ge=0)
    step_error_mm: float = Field(default=0.0, ge=0)


def planned_mm(
    approach: Approach,
    times_s: npt.ArrayLike,
    frames: npt.ArrayLike,
    *,
    seed: int,
    scene: str,
) -> Doubles:
    """Return where the plane of focus is meant to be, mm, shape (times,).

    Parameters
    ----------
    approach : Approach
    times_s : array_like, shape (times,)
        Times from the first frame, s.
    frames : array_like of int, shape (times,)
        The frame each time belongs to; it sets the place on a stepped pass.
    seed, scene : int, str
        Name the stream of the step errors.
    """
    times = np.asarray(times_s, dtype=float)
    if approach.kind in ("stepped", "focus-ring"):
        return approach.start_mm + _stops_mm(approach, np.asarray(frames), seed=seed, scene=scene)
    return course_mm(approach, times, start_mm=approach.start_mm, length_mm=approach.length_mm)


def course_mm(
    approach: Approach, times_s: Doubles, *, start_mm: npt.ArrayLike, length_mm: npt.ArrayLike
) -> Doubles:
    """Return where a move of the body takes the plane of focus, mm.

    Parameters
    ----------
    approach : Approach
        Of kind lean, rock or hold; its own start and length are not used.
    times_s : array
    start_mm, length_mm : array_like
        Start and length of the move; they broadcast against the times.
    """
    start, length = np.asarray(start_mm, dtype=float), np.asarray(length_mm, dtype=float)
    if approach.kind == "hold":
        return start + np.zeros(np.broadcast_shapes(start.shape, times_s.shape))
    along = times_s * approach.speed_mm_per_s / length
    if approach.kind == "rock":
        # One length forth in unit time and one back: a smooth swing between both ends.
        along = (1 - np.cos(np.pi * along)) / 2
    elif approach.profile == "min-jerk":
        u = np.clip(along, 0, 1)
        along = u**3 * (10 - 15 * u + 6 * u**2)
    return np.asarray(start + length * along)


def nominal_stops_mm(approach: Approach, frames: int) -> Doubles | None:
    """Return where a photographer reads the plane of focus to be in each frame, mm.

    A stepped pass has a scale, or a ring that counts: its stops as set, without their errors. None
    for a pass by hand, where nobody knows.
    """
    if approach.kind not in ("stepped", "focus-ring"):
        return None
    return approach.start_mm + approach.step_mm * np.arange(frames, dtype=float)


def planned_speed_mm_per_s(approach: Approach, times_s: npt.ArrayLike) -> Doubles:
    """Return the planned speed of the plane of focus, mm/s, shape (times,)."""
    times = np.asarray(times_s, dtype=float)
    if approach.kind in ("hold", "stepped", "focus-ring"):
        return np.zeros_like(times)
    along = times * approach.speed_mm_per_s / approach.length_mm
    if approach.kind == "rock":
        return approach.speed_mm_per_s * np.pi / 2 * np.sin(np.pi * along)
    if approach.profile == "min-jerk":
        u = np.clip(along, 0, 1)
        return approach.speed_mm_per_s * 30 * u**2 * (1 - u) ** 2
    return np.full_like(times, approach.speed_mm_per_s)


def cover(approach: Approach, *, near_mm: float, far_mm: float, times_s: npt.ArrayLike) -> Approach:
    """Return the same kind of pass, laid from near to far over the given frame times.

    Start before the nearest wanted point and end behind the last (common practice, no source):
    give ``near_mm`` and ``far_mm`` with that margin. A rock goes once forth and once back.

    Raises
    ------
    ValueError
        When far_mm is not behind near_mm.
    """
    if not far_mm > near_mm:
        raise ValueError(f"far_mm must be > near_mm, got {near_mm} .. {far_mm} mm")
    times = np.asarray(times_s, dtype=float)
    length = far_mm - near_mm
    passes = 2 if approach.kind == "rock" else 1
    duration = float(times[-1] - times[0]) if len(times) > 1 else 1.0
    return replace(
        approach,
        start_mm=near_mm,
        length_mm=length,
        speed_mm_per_s=passes * length / duration,
        step_mm=length / max(len(times) - 1, 1),
    )


def _stops_mm(
    approach: Approach, frames: npt.NDArray[np.int_], *, seed: int, scene: str
) -> Doubles:
    stops = approach.step_mm * frames.astype(float)  # from the start; see `nominal_stops_mm`
    if approach.step_error_mm > 0:
        errors = stream(seed, scene, "step-error").standard_normal(int(frames.max(initial=0)) + 1)
        stops += approach.step_error_mm * errors[frames]
    return stops
