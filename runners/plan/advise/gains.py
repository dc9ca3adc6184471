"""What would help most: the same plan with one thing changed, ranked."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from ....simulator.handling.hands import load_stance
from ..draw.passes import Passes
from ..draw.setting import Setting
from .power import at_power, sustained_frames_per_s
from .search import best_way, fewest

#: Subjects that move less than this, mm rms on any axis, gain nothing from shelter.
_STILL_MM = 0.02
_SHELTER_SHARE = 0.1
_A_PERCENT = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """One change and what it brings.

    Parameters
    ----------
    name, advice : str
        Short name, and what to do.
    chance_before, chance : float
        Chance of the trial without and with the change.
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


def ranked_gains(
    setting: Setting,
    draw: Callable[[Setting], Passes],
    *,
    frames_before: int | None,
    trial_frames: int,
    pass_counts: Sequence[int],
) -> tuple[Gain, ...]:
    """Return the changes that help, the greatest help first.

    Parameters
    ----------
    setting : Setting
    draw : callable
        Draws passes of a setting.
    frames_before : int or None
        Frames in all that the plan takes for the wanted chance; None where none promises it.
    trial_frames : int
        Every change is tried on one pass of so many frames; best a pass whose chance leaves room.
    pass_counts : sequence of int
        Numbers of passes that are tried for the wanted chance.

    Notes
    -----
    Ranked by the chance of the trial, and by the frames for the wanted chance where that is equal
    to a percent.
    """
    trial = {"passes": 1, "frames": trial_frames}
    drawn = draw(setting)
    _, before = best_way(setting, drawn, **trial)
    gains = []
    if setting.handheld:
        _, twice = best_way(setting, drawn, passes=2, frames=trial_frames)
        gains.append(
            Gain(
                name="second pass",
                advice="go through twice, framed anew, and merge the frames of both passes",
                chance_before=before,
                chance=twice,
                frames_before=frames_before,
                frames=frames_before,
            )
        )
    for name, advice, changed in changes(setting):
        drawn = draw(changed)
        found = fewest(changed, drawn, chance=setting.chance, pass_counts=pass_counts)
        _, after = best_way(changed, drawn, **trial)
        gains.append(
            Gain(
                name=name,
                advice=advice,
                chance_before=before,
                chance=after,
                frames_before=frames_before,
                frames=found.total_frames if found else None,
            )
        )
    return tuple(sorted((gain for gain in gains if _helps(gain)), key=_rank))


def _helps(gain: Gain) -> bool:
    if gain.chance > gain.chance_before + _A_PERCENT:
        return True
    return gain.frames is not None and gain.frames < (gain.frames_before or float("inf"))


def _rank(gain: Gain) -> tuple[float, float]:
    return (-round(gain.chance, 2), float("inf") if gain.frames is None else gain.frames)


def changes(setting: Setting) -> Iterator[tuple[str, str, Setting]]:
    """Give the changes that may help: name, what to do, and the setting with it."""
    yield from _steadier(setting)
    yield from _calmer(setting)
    yield from _quicker(setting)
    yield from _deeper(setting)


def _steadier(setting: Setting) -> Iterator[tuple[str, str, Setting]]:
    """Give the shipped stances with less sway, kept on the pass of the setting's own."""
    own = setting.stance
    if not setting.handheld:
        return
    for name, advice in (
        ("kneel", "kneel with an elbow on the knee"),
        ("brace", "lie down or put both elbows on the ground, the lens on something firm"),
        (
            "hold the stem",
            "hold the stem with the hand that carries the lens; bend and pick nothing",
        ),
    ):
        shipped = {"kneel": "kneeling", "brace": "braced", "hold the stem": "in-hand-stem"}[name]
        other = load_stance(shipped)
        if (1 - other.coupling) * other.sway_mm[2] < (1 - own.coupling) * own.sway_mm[2]:
            yield name, advice, replace(setting, stance=replace(other, approach=own.approach))


def _calmer(setting: Setting) -> Iterator[tuple[str, str, Setting]]:
    wind = setting.subject.wind
    moved_mm = setting.stance.held_sway * max(wind.rms_mm)
    if moved_mm <= _STILL_MM:
        return
    across, down, along = (_SHELTER_SHARE * size for size in wind.rms_mm)
    calm = replace(wind, rms_mm=(across, down, along))
    yield (
        "shelter",
        "wait for a lull or shield the stem from the wind (a tenth of the swaying left)",
        replace(setting, subject=replace(setting.subject, wind=calm)),
    )


def _quicker(setting: Setting) -> Iterator[tuple[str, str, Setting]]:
    light = setting.light
    faster = replace(light, cadence=replace(light.cadence, frames_per_s=2 * _asked(setting)))
    yield (
        "faster burst",
        f"set the burst to {2 * _asked(setting):g} frames a second",
        replace(setting, light=faster),
    )
    unit = light.flash
    if unit is None or sustained_frames_per_s(light) >= _asked(setting):
        return
    halved = {kind: getattr(unit.recycle_s, kind) / 2 for kind in ("nimh", "alkaline", "lithium")}
    recycled = replace(unit, recycle_s=replace(unit.recycle_s, **halved))
    yield (
        "faster recycle",
        "halve the recycle time: fresh NiMH cells or an external pack",
        replace(setting, light=replace(light, flash=recycled)),
    )
    yield (
        "less power",
        "quarter the flash power and raise ISO by two stops",
        at_power(setting, unit.power / 4),
    )


def _deeper(setting: Setting) -> Iterator[tuple[str, str, Setting]]:
    try:
        stopped = setting.at_f_number(2**0.5 * setting.rig.lens.f_number)
    except ValueError:  # diffraction would wipe out the detail asked for
        return
    yield (
        "stop down",
        "stop down one stop: each frame holds more depth, and detail gets softer",
        stopped,
    )


def _asked(setting: Setting) -> float:
    return setting.light.cadence.frames_per_s
