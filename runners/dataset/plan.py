"""What a data set is to hold, as plain data: the same plan gives the same stacks anywhere."""

from __future__ import annotations

from collections import Counter
from dataclasses import MISSING, dataclass, fields, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass as checked

from ...ground.checksum import file_sha256
from ...ground.spelling import nearest
from ...simulator.compositing.levels import DEFAULT
from ...simulator.data import find_data_file, list_data_files, load_toml, shown
from ...simulator.family.family import checked_seed, load_family
from ...simulator.rig import STRICT, load_rig
from ...simulator.scene.scene import Scene, load_scene
from ...simulator.shooting.sensor import saturation_e
from ...simulator.shooting.shoot import Shoot, shoot
from ...simulator.streams import share
from ...simulator.view.camera import Crop, crop_text
from ..bench.grid.cells import stacks_of
from ..bench.grid.names import check_name
from ..bench.grid.suite import Suite, load_suite
from ..request import RequestError
from .splits import Split, split_of

Layout = Literal["folders", "npz"]
#: Stands for all families that are shipped.
ALL_FAMILIES = "families"
#: What is taken of one's own choice among several, by its name in a plan and in a shoot.
_CHOSEN = {"stances": "stance", "lights": "light", "subjects": "subject"}


@checked(frozen=True, slots=True, kw_only=True, config=STRICT)
class DatasetPlan:
    """What a data set holds.

    Parameters
    ----------
    suite : str or None
        Name or path of a suite: its scenes, shot as it says; round and round, each time another
        pass.
    families : tuple of str
        Names or paths of families, where there is no suite: of each in turn the next scene.
    count : int
        Stacks.
    first_seed : int
        Of the first scene of each family; the next ones follow.
    seed : int
        Of hands, light and noise.
    rigs, stances, lights, subjects : tuple of str
        Of each one is drawn for every scene of a family; a suite is shot with all of them. Empty:
        the scene's own rig, the usual handling, or what the suite says.
    frames : int or None
        So many, spread evenly over the pass; None takes as many as it needs, or the suite says.
    crop, bin
        As for `simulator.shoot`; None is the whole sensor, at its own pixels, or the suite's.
    iso : float
    quality : {"fast", "true", "exact"} or None
        None is the usual one, or the suite's.
    format : str
        Of the frames.
    layout : {"folders", "npz"}
        A stack folder for each stack, or one file.
    """

    suite: str | None = None
    families: tuple[str, ...] = ()
    count: int = Field(ge=1)
    first_seed: int = Field(default=0, ge=0)
    seed: int = Field(default=0, ge=0)
    rigs: tuple[str, ...] = ()
    stances: tuple[str, ...] = ()
    lights: tuple[str, ...] = ()
    subjects: tuple[str, ...] = ()
    frames: int | None = Field(default=None, ge=1)
    crop: tuple[int, int] | tuple[int, int, int, int] | None = None
    bin: int | None = Field(default=None, ge=1)
    iso: float = Field(default=100.0, gt=0)
    quality: Literal["fast", "true", "exact"] | None = None
    format: Literal["tiff16", "png16", "jpeg8", "float32"] = "tiff16"
    layout: Layout = "folders"


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


def sources_of(words: list[str]) -> dict[str, Any]:
    """Return what a user's words name, as the keys ``suite`` and ``families`` of a plan.

    Parameters
    ----------
    words : list of str
        One suite, or families, or "families" for all that are shipped.

    Raises
    ------
    RequestError
    """
    if words == [ALL_FAMILIES]:
        return {"families": tuple(list_data_files("family"))}
    suites = [word for word in words if _is_suite(word)]
    if suites and len(words) > 1:
        raise RequestError(
            f"got the suite {shown(suites[0])} and {len(words) - 1} more, allowed one suite alone, "
            "or families"
        )
    if suites:
        return {"suite": suites[0]}
    families = list_data_files("family")
    for word in words:
        if not word.endswith(".toml") and word not in families:
            known = [*families, *list_data_files("suite"), ALL_FAMILIES]
            raise RequestError(
                f"unknown suite or family: got {shown(word)}{nearest(word, known)}, allowed a "
                f"suite ({', '.join(list_data_files('suite'))}), families "
                f"({', '.join(families)}), families for all of these, or .toml paths"
            )
    return {"families": tuple(words)}


def _is_suite(word: str) -> bool:
    if not word.endswith(".toml"):
        return word in list_data_files("suite")
    return "scenes" in load_toml(find_data_file(word, kind="suite"))


def sources_sha256(plan: DatasetPlan) -> dict[str, str]:
    """Return the checksum of each data file that a plan names, by its kind and name."""
    named = {
        "suite": [plan.suite] if plan.suite else [],
        "family": plan.families,
        "rig": plan.rigs,
        "stance": plan.stances,
        "light": plan.lights,
        "subject": plan.subjects,
    }
    return {
        f"{kind} {Path(name).name}": file_sha256(find_data_file(name, kind=kind))
        for kind, names in named.items()
        for name in names
    }


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


def without_places(plan: DatasetPlan) -> DatasetPlan:
    """Return a plan in which files of one's own are named without the folders they lie in."""
    several = {
        name: tuple(Path(one).name for one in getattr(plan, name))
        for name in ("families", "rigs", "stances", "lights", "subjects")
    }
    return replace(plan, suite=Path(plan.suite).name if plan.suite else None, **several)


def options_of(plan: DatasetPlan) -> list[str]:
    """Return the words of the command line that ask for a plan, without ``--out``."""
    words = [plan.suite] if plan.suite else list(plan.families)
    names = {"rigs": "--rig", "stances": "--stance", "lights": "--light", "subjects": "--subject"}
    for field in fields(DatasetPlan):
        value, default = getattr(plan, field.name), _default(field)
        if field.name in ("suite", "families") or value == default:
            continue
        for one in value if field.name in names else (value,):
            text = crop_text(_as_crop(one)) if field.name == "crop" else str(one)
            words += [names.get(field.name, f"--{field.name.replace('_', '-')}"), text]
    return words


def _default(field: Any) -> Any:
    default = getattr(field.default, "default", field.default)  # pydantic keeps limits with it
    return None if default is MISSING else default


def _as_crop(value: Any) -> Crop:
    return tuple(value)  # type: ignore[return-value]
