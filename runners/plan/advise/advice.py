"""The plan: how to shoot a depth with these hands, this lens and this flash."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np

from ....simulator.handling.approach import planned_mm
from ..draw.forecast import Forecast, Way, coverage_of, forecast, regular_frames, regular_pass
from ..draw.passes import Passes, draw_passes
from ..draw.setting import Setting
from .aperture import ApertureRow, aperture_table
from .depth_of_field import DepthFigures, depth_figures
from .gains import Gain, ranked_gains
from .power import PowerRow, free_frames, power_table, sustained_frames_per_s
from .search import PASS_COUNTS, best_way, fewest, most_frames

#: Chances whose number of frames every plan tells.
CHANCES = (0.5, 0.9, 0.95)
#: Most frames of a handheld pass that are thought of; and of regular steps, over those needed.
MOST_FRAMES, _MOST_REGULAR = 128, 4
#: Drawn passes behind the search and behind the side tables.
_SEARCH_PASSES, _SIDE_PASSES = 2000, 500
#: Drawn frames behind the search where that would be more.
_SEARCH_FRAMES = 256_000
#: Drawn passes behind the final numbers, and drawn frames where that would be more.
_FINAL_PASSES, _FINAL_FRAMES = 10_000, 400_000
#: Most corrections of a number of frames with the final passes.
_CORRECTIONS = 8


@dataclass(frozen=True, kw_only=True)
class Plan:
    """The answer to a setting.

    Parameters
    ----------
    setting : Setting
    seed : int
    depth_figures : DepthFigures
    naive : Forecast
        One pass at the stance's own speed or step, at the camera's own rate.
    for_chance : mapping of float to Forecast or None
        Fewest frames for each chance; None where no number tried promises it.
    advised : Forecast
        The way for the wanted chance, or the best there is where none promises it.
    reaches : bool
        Whether the advised way promises the wanted chance.
    sustained_frames_per_s : float
        Rate that camera and flash keep up.
    free_frames : int or None
        Frames before the flash makes the camera wait; None: it never does.
    apertures : tuple of ApertureRow
    powers : tuple of PowerRow
        Empty without a flash.
    gains : tuple of Gain
        The greatest help first.
    trial_frames : int
        Frames of the single pass that the gains were tried on.
    """

    setting: Setting
    seed: int
    depth_figures: DepthFigures
    naive: Forecast
    for_chance: Mapping[float, Forecast | None]
    advised: Forecast
    reaches: bool
    sustained_frames_per_s: float
    free_frames: int | None
    apertures: tuple[ApertureRow, ...]
    powers: tuple[PowerRow, ...]
    gains: tuple[Gain, ...]
    trial_frames: int


def make_plan(setting: Setting, *, seed: int = 0) -> Plan:
    """Plan a shoot without rendering anything.

    Parameters
    ----------
    setting : Setting
    seed : int
        Same seed, same plan.
    """
    drawn = search_passes(setting, seed=seed)
    promised = _promised(setting, drawn, seed=seed)
    wanted = promised[setting.chance]
    advised = wanted or forecast(setting, drawn, best_effort(setting, drawn))
    counts = sorted({1, 2, advised.way.passes})
    side_frames = min(len(drawn.times_s), 2 * advised.way.frames)
    draw = _side_draw(frames=side_frames, seed=seed)
    even = fewest(setting, drawn, chance=0.5, pass_counts=(1,))
    trial_frames = min(even.frames, side_frames) if even else side_frames
    own = wanted.way if wanted else None
    return Plan(
        setting=setting,
        seed=seed,
        depth_figures=depth_figures(setting.rig, setting.sharpness),
        naive=forecast(setting, drawn, naive_way(setting, drawn)),
        for_chance={chance: promised[chance] for chance in CHANCES},
        advised=advised,
        reaches=wanted is not None,
        sustained_frames_per_s=sustained_frames_per_s(setting.light),
        free_frames=free_frames(setting.light, drawn.times_s),
        apertures=aperture_table(setting, drawn.first(_SIDE_PASSES), own=own, pass_counts=counts),
        powers=power_table(setting, draw, known=own, pass_counts=counts),
        gains=ranked_gains(
            setting,
            draw,
            frames_before=own.total_frames if own else None,
            trial_frames=trial_frames,
            pass_counts=counts,
        ),
        trial_frames=trial_frames,
    )


def search_passes(setting: Setting, *, seed: int = 0) -> Passes:
    """Draw the passes in which a way is searched."""
    frames = MOST_FRAMES
    if setting.regular:
        frames = max(frames, _MOST_REGULAR * regular_pass(setting).frames)
    passes = max(1, min(_SEARCH_PASSES, _SEARCH_FRAMES // frames))
    return draw_passes(setting.conditions, frames=frames, passes=passes, seed=seed)


def _side_draw(*, frames: int, seed: int) -> Callable[[Setting], Passes]:
    """Return what draws the passes behind the side tables, once for equal conditions.

    Another f-number changes no condition: its passes are those of the setting's own.
    """
    drawn = cache(partial(draw_passes, frames=frames, passes=_SIDE_PASSES, seed=seed))
    return lambda setting: drawn(setting.conditions)


def naive_way(setting: Setting, drawn: Passes) -> Way:
    """Lay one pass at the stance's own speed or step through the depth, no margin at its ends."""
    own = setting.stance.approach
    if setting.regular:
        frames = min(regular_frames(setting.depth_mm, own.step_mm), len(drawn.times_s))
        return regular_pass(setting, frames=frames)
    laid = replace(own, start_mm=0.0, length_mm=setting.depth_mm)
    places = planned_mm(laid, drawn.times_s, np.arange(len(drawn.times_s)), seed=0, scene="plan")
    there = np.flatnonzero(places >= setting.depth_mm * (1 - 1e-9))
    frames = int(there[0]) + 1 if there.size else len(drawn.times_s)
    return Way(passes=1, frames=frames, approach=laid)


def best_effort(setting: Setting, drawn: Passes) -> Way:
    """Return the way that covers most, on average, with as many frames as are still a plan."""
    ways = [
        best_way(setting, drawn, passes=passes, frames=most_frames(setting, drawn, passes))[0]
        for passes in PASS_COUNTS
    ]
    return max(ways, key=lambda way: float(coverage_of(setting, drawn, way).share.mean()))


def _promised(setting: Setting, drawn: Passes, *, seed: int) -> dict[float, Forecast | None]:
    """Return the forecast of the fewest frames for every chance that the plan tells."""
    ways = {
        chance: fewest(setting, drawn, chance=chance)
        for chance in sorted({*CHANCES, setting.chance})
    }
    frames = max((way.frames for way in ways.values() if way), default=0)
    if frames == 0:
        return dict.fromkeys(ways)
    frames = min(len(drawn.times_s), frames + frames // 8 + _CORRECTIONS)
    passes = min(_FINAL_PASSES, _FINAL_FRAMES // frames)
    final = draw_passes(setting.conditions, frames=frames, passes=passes, seed=seed + 1)
    return {
        chance: None if way is None else _settled(setting, final, way, chance)
        for chance, way in ways.items()
    }


def _settled(setting: Setting, drawn: Passes, way: Way, chance: float) -> Forecast:
    """Return the forecast of a way on fresh passes, with more frames where the search was lucky."""
    most = min(
        most_frames(setting, drawn, way.passes), way.frames + _CORRECTIONS * (1 + way.frames // 40)
    )
    found = forecast(setting, drawn, way)
    while found.chance < chance and way.frames < most:
        frames = min(way.frames + 1 + way.frames // 40, most)
        way, _ = best_way(setting, drawn, passes=way.passes, frames=frames)
        found = forecast(setting, drawn, way)
    return found
