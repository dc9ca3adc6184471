"""The plan: how to shoot a depth with these hands, this lens and this flash."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from math import ceil
from typing import Literal

import numpy as np

from ..draw.conditions import Conditions
from ..draw.forecast import Forecast, forecast
from ..draw.passes import Passes, draw_passes
from ..draw.rehearsal import Rehearsal, coverage_of
from ..draw.setting import Setting
from ..draw.way import Way, regular_pass, unplanned_way
from .choices import STEPS, Choice, choice_table, lights_of_choices
from .cost import Cost, cost_of
from .depth_of_field import DepthFigures, depth_figures
from .power import PowerRow, free_frames, power_table, sustained_frames_per_s
from .remedies import Rehearse, Remedy, Unchanged, ranked_remedies
from .search import PASS_COUNTS, best_effort, best_way, fewest, most_frames

Verdict = Literal["possible", "marginal", "not this way"]
#: Chances whose number of frames every plan tells.
CHANCES = (0.5, 0.9, 0.95)
#: Least chance of a plan that is marginal (our choice): it works as often as not.
MARGINAL_CHANCE = 0.5
#: Most frames of a handheld pass that are tried; and of regular steps, over those needed.
MOST_FRAMES, _MOST_REGULAR = 128, 4
#: Tries behind the search, and behind tables and changes.
_SEARCH_TRIES, _SIDE_TRIES = 480, 160
#: Changes are tried with so many frames a pass at least.
_LEAST_SIDE_FRAMES = 60
#: Most drawn frames behind the search, all passes together.
_SEARCH_FRAMES = 480_000
#: Most tries behind the final numbers, and most drawn frames, all passes together.
_FINAL_TRIES, _FINAL_FRAMES = 10_000, 500_000
#: Most times that frames are added because the final passes do not keep the promise.
_CORRECTIONS = 8
#: Frames at which more stop helping come this near to the best chance there is.
_AS_GOOD = 0.01


@dataclass(frozen=True, kw_only=True)
class Plan:
    """The answer to a setting.

    Parameters
    ----------
    setting : Setting
    seed : int
    depth_figures : DepthFigures
    unplanned : Forecast
        One pass at the stance's own speed or step, at the camera's own rate; on the same passes as
        `advised`.
    for_chance : mapping of float to Forecast or None
        Fewest frames for each chance; None where no number tried promises it.
    advised : Forecast
        The way for the wanted chance, or the best there is where none promises it; never a smaller
        chance than the unplanned pass.
    reaches : bool
        Whether the advised way promises the wanted chance.
    cost : Cost
        Of the advised way, in time, frames and charge.
    enough_frames : int
        Frames in all, in so many passes, beyond which more hardly help.
    sustained_frames_per_s : float
        Rate that camera and flash keep up.
    free_frames : int or None
        Frames before the flash makes the camera wait; None if it never does.
    choices : tuple of Choice
    powers : tuple of PowerRow
        Empty without a flash.
    remedies : tuple of Remedy
        Those that promise the wanted chance first, the cheapest first.
    """

    setting: Setting
    seed: int
    depth_figures: DepthFigures
    unplanned: Forecast
    for_chance: Mapping[float, Forecast | None]
    advised: Forecast
    reaches: bool
    cost: Cost
    enough_frames: int
    sustained_frames_per_s: float
    free_frames: int | None
    choices: tuple[Choice, ...]
    powers: tuple[PowerRow, ...]
    remedies: tuple[Remedy, ...]

    @property
    def verdict(self) -> Verdict:
        """Whether the wanted chance is promised, or at least an even one."""
        if self.reaches:
            return "possible"
        return "marginal" if self.advised.chance >= MARGINAL_CHANCE else "not this way"


@dataclass(frozen=True, kw_only=True)
class Advice:
    """What to shoot, before anything is told around it; fields as of `Plan`."""

    search: Rehearsal
    unplanned: Forecast
    for_chance: Mapping[float, Forecast | None]
    advised: Forecast
    reaches: bool


def advise(setting: Setting, *, seed: int = 0) -> Advice:
    """Find the way to shoot that a plan recommends; arguments as of `make_plan`."""
    search = search_rehearsal(setting, seed=seed)
    usual = unplanned_way(search.goal, search.times_s)
    ways = {chance: fewest(search, chance=chance) for chance in sorted({*CHANCES, setting.chance})}
    # Nobody should be told to do worse than without a plan.
    wanted = max(setting.chance, float(coverage_of(search, usual).whole.mean()))
    own = ways[wanted] if wanted in ways else fewest(search, chance=wanted)
    effort = best_effort(search) if own is None else None
    found = [way for way in (usual, own, effort, *ways.values()) if way]
    fresh = _fresh(setting, found, seed=seed)
    unplanned = forecast(fresh, usual)
    for_chance = {
        chance: None if way is None else _settled(fresh, way, chance=chance)
        for chance, way in ways.items()
    }
    advised = _advised(fresh, own, effort, unplanned, chance=setting.chance)
    reaches = advised.chance >= setting.chance
    for_chance[setting.chance] = advised if reaches else None
    return Advice(
        search=search,
        unplanned=unplanned,
        for_chance={chance: for_chance[chance] for chance in CHANCES},
        advised=advised,
        reaches=reaches,
    )


def make_plan(setting: Setting, *, seed: int = 0) -> Plan:
    """Plan a shoot without rendering anything.

    Parameters
    ----------
    setting : Setting
    seed : int
        The same seed makes the same plan.
    """
    found = advise(setting, seed=seed)
    search, advised = found.search, found.advised
    rehearse = _side_rehearsals(_side_frames(search, advised.way), seed=seed + 2)
    own = Unchanged(setting=setting, way=advised.way, chance=advised.chance, wanted=setting.chance)
    return Plan(
        setting=setting,
        seed=seed,
        depth_figures=depth_figures(setting.rig, setting.sharpness),
        unplanned=found.unplanned,
        for_chance=found.for_chance,
        advised=advised,
        reaches=found.reaches,
        cost=cost_of(setting, advised),
        enough_frames=_enough_frames(search, advised.way),
        sustained_frames_per_s=sustained_frames_per_s(setting.light),
        free_frames=free_frames(setting.light, search.times_s),
        choices=_choices(setting, advised, seed=seed + 2),
        powers=power_table(setting.light),
        remedies=ranked_remedies(own, rehearse),
    )


def search_rehearsal(setting: Setting, *, seed: int = 0) -> Rehearsal:
    """Draw the passes in which a way is searched."""
    frames, together = MOST_FRAMES, max(PASS_COUNTS)
    if setting.goal.regular:
        frames = max(frames, _MOST_REGULAR * regular_pass(setting.goal).frames)
    if not setting.goal.handheld:
        together = 1
    columns = setting.columns(setting.light, frames)
    tries = max(1, min(_SEARCH_TRIES, _SEARCH_FRAMES // (columns * together)))
    return setting.rehearse(frames=frames, passes=tries * together, seed=seed, together=together)


def advised_way(search: Rehearsal, *, chance: float) -> Way:
    """Return the way that a plan would advise from the search alone."""
    return fewest(search, chance=chance) or best_effort(search)


def _fresh(setting: Setting, ways: list[Way], *, seed: int) -> Rehearsal:
    """Draw passes that no search has seen, enough for each of some ways."""
    together = max(way.passes for way in ways)
    longest = max(way.frames for way in ways)
    frames = longest + longest // 8 + _CORRECTIONS
    columns = setting.columns(setting.light, frames)
    tries = min(_FINAL_TRIES, max(1, _FINAL_FRAMES // (together * columns)))
    return setting.rehearse(
        frames=frames, passes=tries * together, seed=seed + 1, together=together
    )


def _advised(
    fresh: Rehearsal, own: Way | None, effort: Way | None, unplanned: Forecast, *, chance: float
) -> Forecast:
    """Return the forecast of what is recommended: on the same passes never below no plan."""
    if own is not None:
        found = _settled(fresh, own, chance=max(chance, unplanned.chance))
    elif effort is not None:
        found = forecast(fresh, effort)
    else:
        return unplanned
    # Counted steps overlap as they were asked to, whatever a coarser step would do.
    usual_does = unplanned.chance >= chance and not fresh.goal.regular
    if usual_does and unplanned.way.total_frames <= found.way.total_frames:
        return unplanned
    return found if found.chance >= unplanned.chance else unplanned


def _settled(fresh: Rehearsal, way: Way, *, chance: float) -> Forecast:
    """Return the forecast of a way on fresh passes, with more frames where the search was lucky."""
    more = _CORRECTIONS * (1 + way.frames // 40)
    most = min(most_frames(fresh, way.passes), way.frames + more)
    found = forecast(fresh, way)
    while found.chance < chance and way.frames < most:
        frames = min(way.frames + 1 + way.frames // 40, most)
        way, _ = best_way(fresh, passes=way.passes, frames=frames)
        found = forecast(fresh, way)
    return found


def _side_frames(search: Rehearsal, way: Way) -> int:
    """Return the most frames of a pass that tables and changes are tried with.

    A way that was settled on fresh passes may have more than any in the search.
    """
    return max(way.frames, min(search.frames, max(_LEAST_SIDE_FRAMES, 2 * way.frames)))


def _side_rehearsals(frames: int, *, seed: int) -> Rehearse:
    """Return what draws the passes behind the changes, once for equal conditions."""
    together = max(PASS_COUNTS)

    @cache
    def drawn(conditions: Conditions, columns: int, passes: int) -> Passes:
        return draw_passes(conditions, frames=columns, passes=passes, seed=seed)

    def rehearse(setting: Setting) -> Rehearsal:
        goal = setting.goal
        most = max(frames, _MOST_REGULAR * regular_pass(goal).frames) if goal.regular else frames
        block = together if goal.handheld else 1
        passes = drawn(
            setting.conditions, setting.columns(setting.light, most), block * _SIDE_TRIES
        )
        return Rehearsal(goal=goal, drawn=passes, frames=most, tries=_SIDE_TRIES)

    return rehearse


def _choices(setting: Setting, advised: Forecast, *, seed: int) -> tuple[Choice, ...]:
    """Draw the passes behind the table of choices, and return it."""
    together = advised.way.passes + 1 if setting.goal.handheld else 1
    frames = max(2, ceil(max(STEPS) * advised.way.frames))
    rehearsals = setting.rehearse_lights(
        lights_of_choices(setting.light),
        frames=frames,
        passes=together * _SIDE_TRIES,
        seed=seed,
        together=together,
    )
    return choice_table(setting, rehearsals, advised.way, chance=advised.chance)


def _enough_frames(search: Rehearsal, way: Way) -> int:
    """Return the frames in all beyond which more hardly raise the chance."""
    most = most_frames(search, way.passes)
    counts = sorted({round(n) for n in np.geomspace(max(2, way.frames // 2), most, 9)})
    chances = [best_way(search, passes=way.passes, frames=count)[1] for count in counts]
    enough = max(chances) - _AS_GOOD
    return way.passes * next(n for n, c in zip(counts, chances, strict=True) if c >= enough)
