"""Flash power and cadence: how fast the flash can follow, and what each power costs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import inf, log2
from typing import Literal

import numpy as np

from ....ground.types import Doubles
from ....simulator.handling.cadence import interval_s
from ....simulator.handling.flash import quench_s, ready_level, seconds_to_ready
from ....simulator.handling.light import Light
from ..draw.forecast import Way
from ..draw.passes import Passes
from ..draw.setting import Setting
from .search import fewest

#: Powers of the table, stops below full.
_STOPS = range(8)
#: A brighter power may cost this much more frames than the leanest.
_WORTH_THE_LIGHT = 1.2
#: Fewer frames lost than this share are none.
_NOTHING = 0.002


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerRow:
    """What one flash power allows.

    Parameters
    ----------
    power : float
        Fraction of the full energy.
    light_stops : float
        Light of it over the light of the setting's own power; make up for it with ISO.
    duration_s : float
        How long the flash burns.
    sustained_frames_per_s : float
        Frames per second that the flash keeps up for ever, waiting for its ready light.
    free_frames : int or None
        Frames at the camera's own rate before the flash makes it wait; None: it never does.
    passes, frames : int or None
        Of the way with the fewest frames; None where none promises the wanted chance.
    duration_of_pass_s : float or None
    lost_share : float
        Share of frames lost to motion blur or want of light.
    advised : bool
        Whether it is the advised power.
    """

    power: float
    light_stops: float
    duration_s: float
    sustained_frames_per_s: float
    free_frames: int | None
    passes: int | None
    frames: int | None
    duration_of_pass_s: float | None
    lost_share: float
    advised: bool = False

    @property
    def total_frames(self) -> int | None:
        """Frames of all passes together."""
        return None if self.passes is None or self.frames is None else self.passes * self.frames


def sustained_frames_per_s(light: Light) -> float:
    """Return the rate that camera and flash keep up for ever, frames per second.

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


def at_power(setting: Setting, power: float) -> Setting:
    """Return the setting with its flash at another power, waiting for the ready light."""
    unit = setting.light.flash
    if unit is None:
        raise ValueError(f"light {setting.light.name!r} has no flash whose power could be set")
    # A store that is never refilled would be waited for in vain.
    waits: Literal["wait", "fire"] = "fire" if unit.refill == "none" else "wait"
    flash = replace(unit, power=power, when_not_ready=waits)
    return replace(setting, light=replace(setting.light, flash=flash))


def power_table(
    setting: Setting,
    draw: Callable[[Setting], Passes],
    *,
    known: Way | None,
    pass_counts: Sequence[int],
) -> tuple[PowerRow, ...]:
    """Return what each flash power allows; nothing without a flash.

    Parameters
    ----------
    setting : Setting
    draw : callable
        Draws passes of a setting: another power has other frame times.
    known : Way or None
        What the plan found for the setting's own power, from more passes.
    pass_counts : sequence of int
        Numbers of passes that are tried.
    """
    own = setting.light.flash
    if own is None:
        return ()
    rows: list[PowerRow] = []
    for stops in _STOPS:
        changed = at_power(setting, 2.0**-stops)
        if not (rows and rows[-1].free_frames is None and rows[-1].lost_share < _NOTHING):
            drawn = draw(changed)
            way = known
            if changed != setting:
                way = fewest(changed, drawn, chance=setting.chance, pass_counts=pass_counts)
            found = _row(changed.light, drawn, own.power, way)
        else:  # as fast as the camera and as sharp as can be: less power changes only the light
            found = _dimmed(rows[-1], changed.light, own.power)
        rows.append(found)
    best = _advised(rows)
    return tuple(replace(row, advised=row is best) for row in rows)


def _row(light: Light, drawn: Passes, own_power: float, way: Way | None) -> PowerRow:
    unit = light.flash
    assert unit is not None
    return PowerRow(
        power=unit.power,
        light_stops=log2(unit.power / own_power),
        duration_s=quench_s(unit),
        sustained_frames_per_s=sustained_frames_per_s(light),
        free_frames=free_frames(light, drawn.times_s),
        passes=way.passes if way else None,
        frames=way.frames if way else None,
        duration_of_pass_s=float(drawn.times_s[way.frames - 1]) if way else None,
        lost_share=1 - float(drawn.usable.mean()),
    )


def _dimmed(row: PowerRow, light: Light, own_power: float) -> PowerRow:
    """Return the row of a power that changes nothing but the light."""
    unit = light.flash
    assert unit is not None
    return replace(
        row,
        power=unit.power,
        light_stops=log2(unit.power / own_power),
        duration_s=quench_s(unit),
        sustained_frames_per_s=sustained_frames_per_s(light),
    )


def _advised(rows: Sequence[PowerRow]) -> PowerRow | None:
    """Return the brightest power that costs few more frames than the leanest."""
    counts = [row.total_frames for row in rows if row.total_frames is not None]
    if not counts:
        return None
    limit = _WORTH_THE_LIGHT * min(counts)
    return next(row for row in rows if row.total_frames and row.total_frames <= limit)
