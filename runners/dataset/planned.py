"""The stacks of a data set's plan, one by one: none depends on how many there are."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from ...simulator.compositing.levels import DEFAULT
from ...simulator.data import shown
from ...simulator.family.family import checked_seed, load_family
from ...simulator.loading.scenes import load_scene
from ...simulator.rig import load_rig
from ...simulator.scene.scene import Scene
from ...simulator.shooting.sensor import saturation_e
from ...simulator.shooting.shoot import Shoot, shoot
from ...simulator.streams import share
from ...simulator.view.camera import crop_text
from ..bench.grid.cells import stacks_of
from ..bench.grid.names import check_name
from ..bench.grid.suite import Suite, load_suite
from ..request import RequestError
from .plan import DatasetPlan
from .splits import Split, split_of

#: What is taken of one's own choice among several, by its name in a plan and in a shoot.
_CHOSEN = {"stances": "stance", "lights": "light", "subjects": "subject"}


@dataclass(frozen=True, kw_only=True, eq=False)
class PlannedStack:
    """One stack of a plan.

    Parameters
    ----------
    name : str
        Its own in the data set.
    scene : str
        ``FAMILY:SEED``, or the name of a fixed scene.
    split : {"train", "validation", "test"}
    shoot : Shoot
    """

    name: str
    scene: str
    split: Split
    shoot: Shoot


def check_plan(plan: DatasetPlan) -> None:
    """Refuse what cannot be carried out, by the first stack of each family or scene.

    Raises
    ------
    ValueError
    """
    if not plan.suite and not plan.families:
        raise RequestError("families: got none, allowed a suite or one family or more")
    for family in plan.families:
        check_name(load_family(family).name, what="name of a family", where=family)
    checked_seed(plan.first_seed + plan.count // max(1, len(plan.families)), where="first seed")
    stems = [load_family(family).name for family in plan.families]
    _refuse_twice(stems, what="families of one name")
    first = len(plan.families) or len(_suite_shoots(plan))
    for number in range(min(plan.count, first)):
        one = planned(plan, number).shoot
        saturation_e(one.rig.sensor, iso=one.iso)
        _ = one.records
    if plan.suite:
        _refuse_twice([name_of(plan, n) for n in range(first)], what="scenes of one name")


def _refuse_twice(names: list[str], *, what: str) -> None:
    twice = [name for name, times in Counter(names).items() if times > 1]
    if twice:
        raise RequestError(f"{what}: got {shown(twice[0])} twice, allowed once")


def name_of(plan: DatasetPlan, number: int) -> str:
    """Return the name of the stack with a number, from 0: ``leaf-7``, or ``pickets-pass-0``."""
    if plan.suite is None:
        family, seed = _draw_at(plan, number)
        return f"{load_family(family).name}-{seed}"
    shoots = _suite_shoots(plan)
    whole, place = divmod(number, len(shoots))
    scene = shoots[place].scene.name
    same = [at for at, one in enumerate(shoots) if one.scene.name == scene]
    return f"{scene}-pass-{whole * len(same) + same.index(place)}"


def planned(plan: DatasetPlan, number: int) -> PlannedStack:
    """Return the stack of a plan with a number; it does not depend on how many there are.

    Raises
    ------
    ValueError
        A draw that is no scene, or cannot be shot as it is asked for.
    """
    if plan.suite is None:
        shot = _shot_draw(plan, *_draw_at(plan, number))
    else:
        shoots = _suite_shoots(plan)
        whole, place = divmod(number, len(shoots))
        shot = replace(shoots[place], seed=plan.seed + whole, iso=plan.iso)
    if plan.frames is not None:
        shot = _spread(shot, plan.frames)
    return PlannedStack(
        name=name_of(plan, number),
        scene=_label(shot.scene),
        split=split_of(shot.scene),
        shoot=shot,
    )


def _label(scene: Scene) -> str:
    drawn = scene.drawn
    return scene.name if drawn is None else f"{drawn.family}:{drawn.seed}"


def _draw_at(plan: DatasetPlan, number: int) -> tuple[str, int]:
    turn, place = divmod(number, len(plan.families))
    return plan.families[place], plan.first_seed + turn


def _shot_draw(plan: DatasetPlan, family: str, seed: int) -> Shoot:
    scene = load_scene(f"{family}:{seed}")

    def choice(of: str) -> str | None:
        listed: tuple[str, ...] = getattr(plan, of)
        at = int(share(plan.seed, scene.name, f"data set: {of}") * len(listed))
        return listed[at] if listed else None

    chosen: dict[str, Any] = {
        asked: found for of, asked in _CHOSEN.items() if (found := choice(of)) is not None
    }
    return shoot(
        scene,
        load_rig(choice("rigs") or scene.rig),
        **chosen,
        seed=plan.seed,
        crop=plan.crop,
        bin=plan.bin or 1,
        iso=plan.iso,
        quality=plan.quality or DEFAULT,
    )


@lru_cache(maxsize=4)
def _suite_shoots(plan: DatasetPlan) -> tuple[Shoot, ...]:
    """Return one pass of each scene of a suite with each handling, without its ladders."""
    if plan.suite is None:
        return ()
    suite = load_suite(plan.suite)
    if plan.crop is not None and len(plan.crop) > 2:
        raise RequestError(
            f"--crop: got {crop_text(plan.crop)}, allowed WIDTHxHEIGHT: a suite lays it itself"
        )
    named = ("rigs", "stances", "lights", "subjects", "crop", "bin", "quality")
    own = {name: getattr(plan, name) for name in named if getattr(plan, name)}
    asked: Suite = replace(suite, **own, seeds=(plan.seed,), ladders=())
    return tuple(spec.shoot for spec in stacks_of(asked))


def _spread(shot: Shoot, frames: int) -> Shoot:
    """Return a shoot whose frames lie evenly from the start of its pass to its end."""
    approach = shot.approach
    if frames > 1:
        wider = approach.length_mm / (frames - 1) / approach.step_mm
        approach = replace(
            approach,
            step_mm=approach.step_mm * wider,
            speed_mm_per_s=approach.speed_mm_per_s * wider,
        )
    return replace(shot, frames=frames, approach=approach)
