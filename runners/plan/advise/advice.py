"""The plan: how to shoot a depth with these hands, this lens and this flash."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache, partial

from ..draw.forecast import Forecast, forecast
from ..draw.passes import draw_passes
from ..draw.rehearsal import Rehearsal
from ..draw.setting import Setting
from ..draw.way import Way, regular_pass, unplanned_way
from .aperture import ApertureRow, aperture_table
from .depth_of_field import DepthFigures, depth_figures
from .power import PowerRow, free_frames, power_table, sustained_frames_per_s
from .remedies import Remedy, ranked_remedies
from .search import best_effort, best_way, fewest, most_frames

#: Chances whose number of frames every plan tells.
CHANCES = (0.5, 0.9, 0.95)
#: Most frames of a handheld pass that are tried; and of regular steps, over those needed.
MOST_FRAMES, _MOST_REGULAR = 128, 4
#: Drawn passes behind the search and behind the side tables.
_SEARCH_PASSES, _SIDE_PASSES = 2000, 500
#: Most drawn frames behind the search, all passes together.
_SEARCH_FRAMES = 256_000
#: Most drawn passes behind the final numbers, and most drawn frames, all passes together.
_FINAL_PASSES, _FINAL_FRAMES = 10_000, 400_000
#: Most times that frames are added because the final passes do not keep the promise.
_CORRECTIONS = 8


@dataclass(frozen=True, kw_only=True)
class Plan:
    """The answer to a setting.

    Parameters
    ----------
    setting : Setting
    seed : int
    depth_figures : DepthFigures
    unplanned : Forecast
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
        Frames before the flash makes the camera wait; None if it never does.
    apertures : tuple of ApertureRow
    powers : tuple of PowerRow
        Empty without a flash.
    remedies : tuple of Remedy
        The greatest help first.
    trial_frames : int
        Frames of the single pass that the remedies were tried on.
    """

    setting: Setting
    seed: int
    depth_figures: DepthFigures
    unplanned: Forecast
    for_chance: Mapping[float, Forecast | None]
    advised: Forecast
    reaches: bool
    sustained_frames_per_s: float
    free_frames: int | None
    apertures: tuple[ApertureRow, ...]
    powers: tuple[PowerRow, ...]
    remedies: tuple[Remedy, ...]
    trial_frames: int


def make_plan(setting: Setting, *, seed: int = 0) -> Plan:
    """Plan a shoot without rendering anything.

    Parameters
    ----------
    setting : Setting
    seed : int
        The same seed makes the same plan.
    """
    search = search_rehearsal(setting, seed=seed)
    times_s = search.drawn.times_s
    for_chance = _for_chance(setting, search, seed=seed)
    kept = for_chance[setting.chance]
    advised = kept or forecast(search, best_effort(search))
    own = kept.way if kept else None

    chance, counts = setting.chance, sorted({1, 2, advised.way.passes})
    side_frames = min(len(times_s), 2 * advised.way.frames)
    rehearse = _side_rehearsals(frames=side_frames, seed=seed)
    few = search.first(_SIDE_PASSES)
    apertures = aperture_table(
        setting.rig, setting.sharpness, few, chance=chance, own=own, pass_counts=counts
    )
    powers = power_table(
        setting.light,
        lambda light: rehearse(replace(setting, light=light)),
        chance=chance,
        own=own,
        pass_counts=counts,
    )
    trial_frames = _trial_frames(search, at_most=side_frames)
    remedies = ranked_remedies(
        setting, rehearse, own=own, trial_frames=trial_frames, pass_counts=counts
    )
    return Plan(
        setting=setting,
        seed=seed,
        depth_figures=depth_figures(setting.rig, setting.sharpness),
        unplanned=forecast(search, unplanned_way(search.goal, times_s)),
        for_chance={chance: for_chance[chance] for chance in CHANCES},
        advised=advised,
        reaches=kept is not None,
        sustained_frames_per_s=sustained_frames_per_s(setting.light),
        free_frames=free_frames(setting.light, times_s),
        apertures=apertures,
        powers=powers,
        remedies=remedies,
        trial_frames=trial_frames,
    )


def search_rehearsal(setting: Setting, *, seed: int = 0) -> Rehearsal:
    """Draw the passes in which a way is searched."""
    frames = MOST_FRAMES
    if setting.goal.regular:
        frames = max(frames, _MOST_REGULAR * regular_pass(setting.goal).frames)
    passes = max(1, min(_SEARCH_PASSES, _SEARCH_FRAMES // frames))
    return setting.rehearse(frames=frames, passes=passes, seed=seed)


def _side_rehearsals(*, frames: int, seed: int) -> Callable[[Setting], Rehearsal]:
    """Return what draws the passes behind the side tables, once for equal conditions."""
    drawn = cache(partial(draw_passes, frames=frames, passes=_SIDE_PASSES, seed=seed))
    return lambda setting: Rehearsal(goal=setting.goal, drawn=drawn(setting.conditions))


def _trial_frames(search: Rehearsal, *, at_most: int) -> int:
    """Return the frames of a single pass that has about an even chance."""
    even = fewest(search, chance=0.5, pass_counts=(1,))
    return min(even.frames, at_most) if even else at_most


def _for_chance(setting: Setting, search: Rehearsal, *, seed: int) -> dict[float, Forecast | None]:
    """Return the forecast of the fewest frames for every chance that the plan tells.

    The ways are found in the search's passes and settled on fresh ones.
    """
    chances = sorted({*CHANCES, setting.chance})
    ways = {chance: fewest(search, chance=chance) for chance in chances}
    frames = max((way.frames for way in ways.values() if way), default=0)
    if frames == 0:
        return dict.fromkeys(ways)
    frames = min(len(search.drawn.times_s), frames + frames // 8 + _CORRECTIONS)
    passes = min(_FINAL_PASSES, _FINAL_FRAMES // frames)
    fresh = setting.rehearse(frames=frames, passes=passes, seed=seed + 1)
    return {
        chance: None if way is None else _settled(fresh, way, chance=chance)
        for chance, way in ways.items()
    }


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
