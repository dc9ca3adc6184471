"""Flash power and cadence: how fast the flash can follow, and how many frames each power takes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import inf, log2
from typing import Literal

import numpy as np

from ....ground.types import Doubles
from ....simulator.handling.cadence import interval_s
from ....simulator.handling.flash import quench_s, ready_level, seconds_to_ready
from ....simulator.handling.light import FlashUnit, Light
from ..draw.passes import Passes
from ..draw.rehearsal import Rehearsal
from ..draw.way import Way
from .search import fewest

#: Powers of the table, stops below full.
_STOPS = range(8)
#: The advised power takes at most this many times the fewest frames of any power.
_WORTH_THE_LIGHT = 1.2
#: A smaller share of lost frames counts as none.
_NOTHING = 0.002


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
    passes, frames : int or None
        Of the way with the fewest frames; None where none promises the wanted chance.
    duration_of_pass_s : float or None
        Of that way.
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


def power_table(
    light: Light,
    rehearse: Callable[[Light], Rehearsal],
    *,
    chance: float,
    own: Way | None,
    pass_counts: Sequence[int],
) -> tuple[PowerRow, ...]:
    """Return what each flash power allows; nothing without a flash.

    Parameters
    ----------
    light : Light
        As it is set.
    rehearse : callable
        Draws the passes of a light: another power has other frame times.
    chance : float
        Wanted chance.
    own : Way or None
        What the plan found for the light as it is set, from more passes.
    pass_counts : sequence of int
        Numbers of passes that are tried.
    """
    flash = light.flash
    if flash is None:
        return ()
    rows: list[PowerRow] = []
    shown: _Shown | None = None
    for stops in _STOPS:
        unit = _waiting_at(flash, 2.0**-stops)
        changed = replace(light, flash=unit)
        # As fast as the camera and as sharp as can be: less power changes the light alone.
        if shown is None or shown.free_frames is not None or shown.lost_share >= _NOTHING:
            rehearsal = rehearse(changed)
            way = own
            if changed != light:
                way = fewest(rehearsal, chance=chance, pass_counts=pass_counts)
            shown = _shown(changed, rehearsal.drawn, way)
        rows.append(
            PowerRow(
                power=unit.power,
                light_stops=log2(unit.power / flash.power),
                duration_s=quench_s(unit),
                sustained_frames_per_s=sustained_frames_per_s(changed),
                free_frames=shown.free_frames,
                passes=shown.way.passes if shown.way else None,
                frames=shown.way.frames if shown.way else None,
                duration_of_pass_s=shown.duration_s,
                lost_share=shown.lost_share,
            )
        )
    best = _advised(rows)
    return tuple(replace(row, advised=row is best) for row in rows)


@dataclass(frozen=True, kw_only=True)
class _Shown:
    """What drawn passes show of a light; the names are those of `PowerRow`."""

    free_frames: int | None
    way: Way | None
    duration_s: float | None
    lost_share: float


def _shown(light: Light, drawn: Passes, way: Way | None) -> _Shown:
    return _Shown(
        free_frames=free_frames(light, drawn.times_s),
        way=way,
        duration_s=float(drawn.times_s[way.frames - 1]) if way else None,
        lost_share=1 - float(drawn.usable.mean()),
    )


def _waiting_at(unit: FlashUnit, power: float) -> FlashUnit:
    # A store that is never refilled would be waited for forever.
    waits: Literal["wait", "fire"] = "fire" if unit.refill == "none" else "wait"
    return replace(unit, power=power, when_not_ready=waits)


def _advised(rows: Sequence[PowerRow]) -> PowerRow | None:
    """Return the brightest power that takes few frames more than the fewest of any."""
    counts = [row.total_frames for row in rows if row.total_frames is not None]
    if not counts:
        return None
    limit = _WORTH_THE_LIGHT * min(counts)
    return next(row for row in rows if row.total_frames and row.total_frames <= limit)
