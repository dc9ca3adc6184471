"""What would help most: the same plan with one thing changed, ranked."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import inf
from typing import get_args

from ....simulator.handling.hands import Stance, load_stance
from ....simulator.handling.light import Battery, Light
from ....simulator.handling.sway import Subject
from ..draw.rehearsal import Rehearsal
from ..draw.setting import Setting
from ..draw.way import Way
from .power import at_power, sustained_frames_per_s
from .search import best_way, fewest

#: A subject that moves no more than this on any axis, mm rms, needs no shelter.
_STILL_MM = 0.02
#: Share of the swaying that is left in shelter (our choice).
_SHELTER_SHARE = 0.1
_A_PERCENT = 0.01


@dataclass(frozen=True, kw_only=True)
class Change:
    """Something that the photographer may do otherwise.

    Parameters
    ----------
    name, advice : str
        Short name, and what to do.
    setting : Setting
        With the change.
    """

    name: str
    advice: str
    setting: Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """One change and what it brings.

    Parameters
    ----------
    name, advice : str
        Short name, and what to do.
    chance_before, chance : float
        Chance of one pass without and with the change.
    frames_before, frames : int or None
        Fewest frames in all that promise the wanted chance, without and with the change; None
        where no number tried does.
    """

    name: str
    advice: str
    chance_before: float
    chance: float
    frames_before: int | None
    frames: int | None

    @property
    def helps(self) -> bool:
        """Whether it raises the chance by more than a percent, or saves frames."""
        if self.chance > self.chance_before + _A_PERCENT:
            return True
        return self.frames is not None and self.frames < (self.frames_before or inf)


def ranked_remedies(
    setting: Setting,
    rehearse: Callable[[Setting], Rehearsal],
    *,
    own: Way | None,
    trial_frames: int,
    pass_counts: Sequence[int],
) -> tuple[Remedy, ...]:
    """Return the changes that help, the greatest help first.

    Parameters
    ----------
    setting : Setting
    rehearse : callable
        Draws the passes of a setting.
    own : Way or None
        What the plan found for the setting as it is; None where nothing promises the chance.
    trial_frames : int
        Every change is tried on one pass of so many frames. A pass with an even chance leaves
        most room to see a difference.
    pass_counts : sequence of int
        Numbers of passes that are tried for the wanted chance.

    Notes
    -----
    Ranked by the chance of that pass, to a percent; where it is equal, by the frames that promise
    the wanted chance.
    """
    unchanged = rehearse(setting)
    frames_before = own.total_frames if own else None
    _, before = best_way(unchanged, passes=1, frames=trial_frames)
    found = []
    if setting.goal.handheld:
        _, twice = best_way(unchanged, passes=2, frames=trial_frames)
        found.append(
            Remedy(
                name="second pass",
                advice="go through twice, framed anew, and merge the frames of both passes",
                chance_before=before,
                chance=twice,
                frames_before=frames_before,
                frames=frames_before,
            )
        )
    for change in changes(setting):
        rehearsal = rehearse(change.setting)
        way = fewest(rehearsal, chance=setting.chance, pass_counts=pass_counts)
        _, after = best_way(rehearsal, passes=1, frames=trial_frames)
        found.append(
            Remedy(
                name=change.name,
                advice=change.advice,
                chance_before=before,
                chance=after,
                frames_before=frames_before,
                frames=way.total_frames if way else None,
            )
        )
    return tuple(sorted((remedy for remedy in found if remedy.helps), key=_rank))


def changes(setting: Setting) -> Iterator[Change]:
    """Give the changes that may help."""
    for name, advice, stance in _steadier(setting.stance):
        yield Change(name=name, advice=advice, setting=replace(setting, stance=stance))
    if max(setting.subject.wind.rms_mm) * setting.stance.held_sway > _STILL_MM:
        yield Change(
            name="shelter",
            advice="wait for a lull or shield the stem from the wind (a tenth of the swaying left)",
            setting=replace(setting, subject=_sheltered(setting.subject)),
        )
    for name, advice, light in _quicker(setting.light):
        yield Change(name=name, advice=advice, setting=replace(setting, light=light))
    try:
        stopped = setting.at_f_number(2**0.5 * setting.rig.lens.f_number)
    except ValueError:  # diffraction would wipe out the detail asked for
        return
    yield Change(
        name="stop down",
        advice="stop down one stop: each frame holds more depth, and detail gets softer",
        setting=stopped,
    )


#: Stances that are shipped: name of the change, what to do, and name of the stance.
_STANCES = (
    ("kneel", "kneel with an elbow on the knee", "kneeling"),
    ("brace", "lie down or put both elbows on the ground, the lens on something firm", "braced"),
    (
        "hold the stem",
        "hold the stem with the hand that carries the lens; bend and pick nothing",
        "in-hand-stem",
    ),
)


def _steadier(own: Stance) -> Iterator[tuple[str, str, Stance]]:
    """Give the shipped stances that sway less toward the subject, each on the stance's own pass."""
    if not any(own.sway_mm):
        return
    for name, advice, shipped in _STANCES:
        other = load_stance(shipped)
        if (1 - other.coupling) * other.sway_mm[2] < (1 - own.coupling) * own.sway_mm[2]:
            yield name, advice, replace(other, approach=own.approach)


def _sheltered(subject: Subject) -> Subject:
    across, down, along = (_SHELTER_SHARE * size for size in subject.wind.rms_mm)
    return replace(subject, wind=replace(subject.wind, rms_mm=(across, down, along)))


def _quicker(light: Light) -> Iterator[tuple[str, str, Light]]:
    """Give lights whose frames follow each other faster."""
    asked = light.cadence.frames_per_s
    yield (
        "faster burst",
        f"set the burst to {2 * asked:g} frames a second",
        replace(light, cadence=replace(light.cadence, frames_per_s=2 * asked)),
    )
    unit = light.flash
    if unit is None or sustained_frames_per_s(light) >= asked:
        return
    halved = {kind: getattr(unit.recycle_s, kind) / 2 for kind in get_args(Battery)}
    recycled = replace(unit, recycle_s=replace(unit.recycle_s, **halved))
    yield (
        "faster recycle",
        "halve the recycle time: fresh NiMH cells or an external pack",
        replace(light, flash=recycled),
    )
    yield (
        "less power",
        "quarter the flash power and raise ISO by two stops",
        at_power(light, unit.power / 4),
    )


def _rank(remedy: Remedy) -> tuple[float, float]:
    return (-round(remedy.chance, 2), inf if remedy.frames is None else remedy.frames)
