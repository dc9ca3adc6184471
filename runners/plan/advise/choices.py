"""The one table of choices: f-number, flash power, passes and step, each with its chance.

All chances come from the same drawn passes, so rows do not differ by luck; and what can only help,
another pass or more depth of field, never has a smaller chance than doing without it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, log2

import numpy as np

from ....simulator.handling.light import Light
from ....simulator.optics import rig_f_number
from ....simulator.rig import Rig, stopped_to
from ..draw.rehearsal import Rehearsal
from ..draw.setting import Setting
from ..draw.sharpness import lane_of
from ..draw.way import Way
from .aperture import detail_contrast, engraved
from .power import at_power
from .search import best_way, most_frames

#: Frames of a pass over those advised: a finer step, the advised one, a coarser one.
STEPS = (1.5, 1.0, 1 / 1.5)
#: The f-numbers of the table, stops from the one that is set.
_STOPS = (-1, 0, 1)
#: The flash powers of the table, stops from the one that is set.
_POWERS = (1, -1, -2)
#: Keeps a chance in some draws off never and always.
_A_HAIR = 1e-6


Chances = tuple[float | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One row of the table.

    Parameters
    ----------
    f_number, working_f_number : float
        As marked, and as it works at this magnification.
    detail_contrast : float
        Contrast that the lens leaves fine detail in focus, 0 to 1.
    power : float or None
        Of the flash; None without one.
    light_stops : float
        Light on the sensor over that of the choice that is marked; ISO makes up for it.
    passes : int
    frames : tuple of int or None
        Frames of each pass, at a finer step, the advised one, and a coarser one; None where so
        many passes of them would be too many.
    chances : tuple of float or None
        Chance of no gap at each of them.
    marked : bool
        Whether its middle step is what the plan recommends.
    """

    f_number: float
    working_f_number: float
    detail_contrast: float
    power: float | None
    light_stops: float
    passes: int
    frames: tuple[int | None, ...]
    chances: Chances
    marked: bool = False


def lights_of_choices(light: Light) -> list[Light]:
    """Return the light as it is set, and at the other powers of the table."""
    unit = light.flash
    if unit is None:
        return [light]
    powers = [unit.power * 2.0**stops for stops in _POWERS]
    return [light, *(at_power(light, power) for power in powers if power <= 1)]


def choice_table(
    setting: Setting, rehearsals: Sequence[Rehearsal], advised: Way, *, chance: float
) -> tuple[Choice, ...]:
    """Return the table of choices.

    Parameters
    ----------
    setting : Setting
    rehearsals : sequence of Rehearsal
        The same passes in each of `lights_of_choices`.
    advised : Way
        What the plan recommends.
    chance : float
        Its chance, from more passes; all rows are told relative to it.
    """
    pass_counts = _pass_counts(rehearsals[0], advised)
    rows: list[Choice] = []
    wider: dict[int, Chances] = {}
    for stops in _STOPS:
        rig = _stopped(setting.rig, stops)
        if rig is None:
            continue
        try:
            lane = lane_of(rig, setting.sharpness)
        except ValueError:  # the lens no longer shows the detail asked for
            continue
        own = rehearsals[0].with_lane(lane)
        fewer: Chances = ()
        for passes in pass_counts:
            frames, chances = _steps(own, advised, passes=passes)
            if chances[1] is None:  # too many
                continue
            chances = _at_least(chances, fewer, wider.get(passes, ()))
            fewer = wider[passes] = chances
            rows.append(_choice(setting, rig, passes=passes, frames=frames, chances=chances))
    for rehearsal, light in zip(rehearsals[1:], lights_of_choices(setting.light)[1:], strict=True):
        frames, chances = _steps(rehearsal, advised, passes=advised.passes)
        if chances[1] is None:
            continue
        row = _choice(
            replace(setting, light=light),
            setting.rig,
            passes=advised.passes,
            frames=frames,
            chances=chances,
        )
        rows.append(replace(row, light_stops=_light_stops(setting.light, light)))
    return _told_from(rows, setting, advised, chance=chance)


def _pass_counts(rehearsal: Rehearsal, advised: Way) -> list[int]:
    if not rehearsal.goal.handheld:
        return [advised.passes]
    most = len(rehearsal.drawn.along_mm) // rehearsal.tries
    near = {1, advised.passes - 1, advised.passes, advised.passes + 1}
    return sorted(count for count in near if 1 <= count <= max(most, advised.passes))


def _stopped(rig: Rig, stops: int) -> Rig | None:
    try:
        return (
            rig if stops == 0 else stopped_to(rig, engraved(rig.lens.f_number * 2 ** (stops / 2)))
        )
    except ValueError:
        return None


def _steps(
    rehearsal: Rehearsal, advised: Way, *, passes: int
) -> tuple[tuple[int | None, ...], Chances]:
    """Return frames and chances of a number of passes at a finer, the same, a coarser step."""
    most = most_frames(rehearsal, passes)
    wanted = [max(2, ceil(advised.frames * more)) for more in STEPS]
    frames = tuple(count if count <= most else None for count in wanted)
    chances = (n and best_way(rehearsal, passes=passes, frames=n)[1] for n in frames)
    return frames, tuple(chances)


def _at_least(chances: Chances, *lesser: Chances) -> Chances:
    """Return chances that are no smaller than those of what can only do worse."""
    rows = zip(chances, *(other for other in lesser if other), strict=True)
    return tuple(
        None if row[0] is None else max(chance for chance in row if chance is not None)
        for row in rows
    )


def _choice(
    setting: Setting, rig: Rig, *, passes: int, frames: tuple[int | None, ...], chances: Chances
) -> Choice:
    light = setting.light
    return Choice(
        f_number=rig.lens.f_number,
        working_f_number=rig_f_number(rig),
        detail_contrast=detail_contrast(rig, rig.lens.f_number),
        power=light.flash.power if light.flash else None,
        light_stops=2 * log2(setting.rig.lens.f_number / rig.lens.f_number),
        passes=passes,
        frames=frames,
        chances=chances,
    )


def _light_stops(own: Light, other: Light) -> float:
    if own.flash is None or other.flash is None:
        return 0.0
    return log2(other.flash.power / own.flash.power)


def _told_from(
    rows: Sequence[Choice], setting: Setting, advised: Way, *, chance: float
) -> tuple[Choice, ...]:
    """Mark what is recommended, and tell all chances relative to its own."""

    def is_advised(row: Choice) -> bool:
        own = row.f_number == setting.rig.lens.f_number and row.light_stops == 0
        return own and row.passes == advised.passes

    (drawn,) = (row.chances[1] or 0.0 for row in rows if is_advised(row))
    return tuple(
        replace(
            row,
            chances=tuple(
                None if found is None else beside(chance, drawn, found) for found in row.chances
            ),
            marked=is_advised(row),
        )
        for row in rows
    )


def beside(chance: float, drawn: float, found: float) -> float:
    """Return a chance found in the same draws as another that is known better.

    Luck that both share falls out: what the draws give as `drawn` is `chance`, never is never and
    always is always, and in between it goes in proportion.
    """
    drawn = min(max(drawn, _A_HAIR), 1 - _A_HAIR)
    return float(np.interp(found, [0.0, drawn, 1.0], [0.0, chance, 1.0]))
