"""Flash power and cadence: how fast the flash can follow."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, log2
from typing import Literal

import numpy as np

from ....ground.types import Doubles
from ....simulator.handling.cadence import interval_s
from ....simulator.handling.flash import frame_times, quench_s, ready_level, seconds_to_ready
from ....simulator.handling.light import FlashUnit, Light

#: Powers of the table, stops below full.
_STOPS = range(8)
#: Frames of the burst in which a wait is looked for.
_LOOKED_AT = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerRow:
    """What one flash power allows.

    Parameters
    ----------
    power : float
        Fraction of the full energy.
    light_stops : float
        Its light over that of the power that is set; to be made up for with ISO.
    duration_s : float
        How long the flash burns.
    sustained_frames_per_s : float
        Frames per second that the flash can keep up, waiting for its ready light.
    free_frames : int or None
        Frames at the camera's own rate before the flash makes it wait; None if it never does.
    """

    power: float
    light_stops: float
    duration_s: float
    sustained_frames_per_s: float
    free_frames: int | None


def sustained_frames_per_s(light: Light) -> float:
    """Return the rate that camera and flash can keep up, frames per second.

    A flash that waits for its ready light fires from the ready level, draws its power from it and
    is refilled up to it again: at constant filling power that takes power times recycle time.
    """
    asked = light.cadence.frames_per_s
    if light.flash is None or light.flash.when_not_ready == "fire":
        return asked
    level = ready_level(light.flash)
    if light.flash.refill == "none":
        return 0.0
    wait_s = seconds_to_ready(light.flash, level * (1 - light.flash.power))
    return min(asked, 1 / wait_s if wait_s > 0 else inf)


def free_frames(light: Light, times_s: Doubles) -> int | None:
    """Return how many frames come at the camera's own rate before the flash makes it wait.

    Parameters
    ----------
    light : Light
    times_s : array (frames,)
        Frame times of a burst in this light; None is returned where nothing waited in it.
    """
    for frame, gap_s in enumerate(np.diff(times_s)):
        if gap_s > interval_s(light.cadence, frame) * (1 + 1e-9):
            return frame + 1
    return None


def at_power(light: Light, power: float) -> Light:
    """Return the light with its flash at another power, waiting for the ready light.

    Raises
    ------
    ValueError
        The light has no flash.
    """
    if light.flash is None:
        raise ValueError(f"light {light.name!r} has no flash whose power could be set")
    return replace(light, flash=_waiting_at(light.flash, power))


def power_table(light: Light) -> tuple[PowerRow, ...]:
    """Return what each flash power allows; nothing without a flash."""
    flash = light.flash
    if flash is None:
        return ()
    rows = []
    for stops in _STOPS:
        unit = _waiting_at(flash, 2.0**-stops)
        changed = replace(light, flash=unit)
        times_s = frame_times(changed, _LOOKED_AT, seed=0, scene="plan")
        rows.append(
            PowerRow(
                power=unit.power,
                light_stops=log2(unit.power / flash.power),
                duration_s=quench_s(unit),
                sustained_frames_per_s=sustained_frames_per_s(changed),
                free_frames=free_frames(changed, times_s),
            )
        )
    return tuple(rows)


def _waiting_at(unit: FlashUnit, power: float) -> FlashUnit:
    # A store that is never refilled would be waited for forever.
    waits: Literal["wait", "fire"] = "fire" if unit.refill == "none" else "wait"
    return replace(unit, power=power, when_not_ready=waits)
