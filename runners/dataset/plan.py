"""What a data set is to hold, as plain data: the same plan gives the same stacks anywhere."""

from __future__ import annotations

from dataclasses import MISSING, fields, replace
from pathlib import Path
from typing import Any, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass as checked

from ...ground.checksum import file_sha256
from ...ground.spelling import nearest
from ...simulator.data import find_data_file, list_data_files, load_toml, shown
from ...simulator.rig import STRICT
from ...simulator.view.camera import Crop, crop_text
from ..request import RequestError

Layout = Literal["folders", "npz"]
#: Stands for all families that are shipped.
ALL_FAMILIES = "families"


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


def without_places(plan: DatasetPlan) -> DatasetPlan:
    """Return a plan in which files of one's own are named without the folders they lie in."""
    names = ("families", "rigs", "stances", "lights", "subjects")
    several: dict[str, Any] = {
        name: tuple(Path(one).name for one in getattr(plan, name)) for name in names
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
