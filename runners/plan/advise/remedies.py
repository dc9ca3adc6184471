"""What would help: the same plan with one thing changed, the cheapest first."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import get_args

from ....simulator.handling.hands import Stance, load_stance
from ....simulator.handling.light import Battery, Light
from ....simulator.handling.sway import Subject
from ..draw.rehearsal import Rehearsal, coverage_of
from ..draw.setting import Setting
from ..draw.way import Way
from .aperture import DETAIL_CONTRAST, detail_contrast, engraved
from .choices import beside
from .power import at_power, sustained_frames_per_s
from .search import best_effort, fewest

#: A subject that moves no more than this on any axis, mm rms, needs no shelter.
_STILL_MM = 0.02
#: Share of the swaying that is left in shelter (our choice).
_SHELTER_SHARE = 0.1
#: A change that raises the chance by less helps nobody; nor one that saves a smaller share of the
#: frames.
_WORTH_TELLING, _WORTH_SAVING = 0.02, 0.1
#: Numbers of passes that changes are tried with.
_PASS_COUNTS = (1, 2, 3, 6)
#: Nobody stacks by hand below this magnification (our choice).
_LEAST_MAGNIFICATION = 0.5
#: A promise is not asked for nearer to certainty than this.
_SURE = 0.995


@dataclass(frozen=True, kw_only=True)
class Change:
    """Something that the photographer may do otherwise.

    Parameters
    ----------
    name, advice : str
        Short name, and what to do.
    setting : Setting
        With the change.
    price : int
        What it costs, in steps: 1 turns a dial, 2 gives up detail or size, 3 moves the body or
        waits, 4 needs other gear (our choice).
    """

    name: str
    advice: str
    setting: Setting
    price: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """One change, or two together, and what it brings.

    Parameters
    ----------
    name, advice : str
        Short name, and what to do.
    price : int
        As of `Change`; of two together, the sum.
    chance_before, chance : float
        Without and with the change, each shot in its best way; from the same draws.
    frames_before, frames : int
        In all, in these ways.
    passes : int
    reaches : bool
        Whether the wanted chance is promised with the change.
    """

    name: str
    advice: str
    price: int
    chance_before: float
    chance: float
    frames_before: int
    frames: int
    passes: int
    reaches: bool

    def helps(self, *, wanted: float) -> bool:
        """Whether it raises the chance up to what is wanted, or saves frames."""
        gain = min(self.chance, wanted) - min(self.chance_before, wanted)
        if gain >= _WORTH_TELLING:
            return True
        fewer = self.frames <= (1 - _WORTH_SAVING) * self.frames_before
        return fewer and self.reaches


#: Draws the passes of a setting, always with the same numbers.
Rehearse = Callable[[Setting], Rehearsal]


@dataclass(frozen=True, kw_only=True)
class Unchanged:
    """What is known without any change.

    Parameters
    ----------
    setting : Setting
    way : Way
        What the plan recommends.
    chance : float
        Its chance, from more passes than the changes are tried on.
    wanted : float
    """

    setting: Setting
    way: Way
    chance: float
    wanted: float


def ranked_remedies(own: Unchanged, rehearse: Rehearse) -> tuple[Remedy, ...]:
    """Return the changes that help: first those that promise the wanted chance, the cheapest first.

    Where no single change promises it, pairs with the most helpful one are tried.

    Parameters
    ----------
    own : Unchanged
    rehearse : callable
        Draws the passes of a setting.
    """
    trial = _Trial.of(own, rehearse)
    tried = [(change, trial.remedy(change)) for change in changes(own.setting)]
    found = [remedy for _, remedy in tried if remedy.helps(wanted=own.wanted)]
    possible = own.chance >= own.wanted
    if not possible and found and not any(remedy.reaches for remedy in found):
        best, _ = max(tried, key=lambda pair: pair[1].chance)
        pairs = [_both(best, other) for other in changes(best.setting)]
        found += [
            remedy
            for remedy in map(trial.remedy, pairs)
            if remedy.reaches and remedy.helps(wanted=own.wanted)
        ]
    return tuple(sorted(found, key=_rank))


@dataclass(frozen=True, kw_only=True)
class _Trial:
    """What changes are measured against, in the draws that all of them share."""

    own: Unchanged
    rehearse: Rehearse
    drawn: float

    @classmethod
    def of(cls, own: Unchanged, rehearse: Rehearse) -> _Trial:
        unchanged = rehearse(own.setting)
        chance = float(coverage_of(unchanged, own.way).whole.mean())
        return cls(own=own, rehearse=rehearse, drawn=chance)

    def remedy(self, change: Change) -> Remedy:
        own = self.own
        rehearsal = self.rehearse(change.setting)
        asked = min(beside(self.drawn, own.chance, own.wanted), _SURE)
        way = fewest(rehearsal, chance=asked, pass_counts=_PASS_COUNTS)
        reaches = way is not None
        way = way or best_effort(rehearsal, pass_counts=_PASS_COUNTS)
        found = float(coverage_of(rehearsal, way).whole.mean())
        return Remedy(
            name=change.name,
            advice=change.advice,
            price=change.price,
            chance_before=own.chance,
            chance=beside(own.chance, self.drawn, found),
            frames_before=own.way.total_frames,
            frames=way.total_frames,
            passes=way.passes,
            reaches=reaches,
        )


def _both(one: Change, other: Change) -> Change:
    return Change(
        name=f"{one.name}, {other.name}",
        advice=f"{one.advice}; and {other.advice}",
        setting=other.setting,
        price=one.price + other.price,
    )


def _rank(remedy: Remedy) -> tuple[bool, float, float]:
    if remedy.reaches:
        return (False, remedy.price, remedy.frames)
    return (True, -remedy.chance, remedy.price)


def changes(setting: Setting) -> Iterator[Change]:
    """Give the changes that may help, the cheapest first."""
    for name, advice, light, price in _quicker(setting.light):
        yield Change(name=name, advice=advice, setting=replace(setting, light=light), price=price)
    yield from _less_detail(setting)
    if max(setting.subject.wind.rms_mm) * setting.stance.held_sway > _STILL_MM:
        yield Change(
            name="shelter",
            advice="wait for a lull or shield the stem from the wind (a tenth of the swaying left)",
            setting=replace(setting, subject=_sheltered(setting.subject)),
            price=3,
        )
    for name, advice, stance in _steadier(setting.stance):
        yield Change(name=name, advice=advice, setting=replace(setting, stance=stance), price=3)
    if setting.goal.handheld:
        yield Change(
            name="support",
            advice="put the camera on a support and go in counted steps",
            setting=replace(setting, stance=load_stance("stepped")),
            price=4,
        )


def _less_detail(setting: Setting) -> Iterator[Change]:
    """Give the changes that trade detail or size for depth of field."""
    f_number = engraved(2**0.5 * setting.rig.lens.f_number)
    try:
        stopped = setting.at_f_number(f_number)
    except ValueError:  # diffraction would wipe out the detail asked for
        stopped = None
    if stopped and detail_contrast(setting.rig, f_number) >= DETAIL_CONTRAST:
        yield Change(
            name="stop down",
            advice=f"stop down to f/{f_number:g}: each frame holds more depth, and detail gets "
            "softer",
            setting=stopped,
            price=1,
        )
    lens = setting.rig.lens
    magnification = lens.magnification / 2
    if magnification >= _LEAST_MAGNIFICATION:
        farther = replace(setting.rig, lens=replace(lens, magnification=magnification))
        try:
            backed_off = replace(setting, rig=farther)
        except ValueError:
            return
        yield Change(
            name="back off",
            advice="back off to half the magnification: the subject is half as large in the "
            "picture",
            setting=backed_off,
            price=2,
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


def _quicker(light: Light) -> Iterator[tuple[str, str, Light, int]]:
    """Give lights whose frames follow each other faster, each with its price."""
    asked = light.cadence.frames_per_s
    yield (
        "faster burst",
        f"set the burst to {2 * asked:g} frames a second",
        replace(light, cadence=replace(light.cadence, frames_per_s=2 * asked)),
        1,
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
        4,
    )
    yield (
        "less power",
        "quarter the flash power and raise ISO by two stops",
        at_power(light, unit.power / 4),
        1,
    )
