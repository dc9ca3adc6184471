"""A family: a data file of distributions over what a scene file may say."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ...ground.checksum import sha256
from ..data import (
    EARLIER,
    DataFileError,
    find_data_file,
    is_file,
    list_data_files,
    load_toml,
    shown_value,
)
from .forms import check, check_draws, form_of, refuse_unused

_KEYS = ("title", "about", "draw", "scene", "meter")
#: What the draw itself says in a scene.
_GIVEN = ("name", "drawn")
_DRAW_OF = re.compile(r"(?P<family>.+):(?P<seed>[^:/\\]*)")
_MOST_SEED = 2**64


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """A family of scenes, checked, as its file says it.

    Parameters
    ----------
    name : str
        The file's, without its ending.
    title, about : str
        For people.
    draw : dict
        Values drawn first, in their order, that all else may name.
    scene : dict
        A scene file, with forms and expressions in the place of values.
    checksum : str
        SHA-256 of the file.
    path : Path
        The file, for errors.
    meter : dict
        How the draw chooses the gain of its light: ``white``, what the brightest thousandth of the
        picture in focus is to reach, as a share of white in sRGB; empty leaves the gain as it is.
    """

    name: str
    title: str
    about: str
    draw: dict[str, Any]
    scene: dict[str, Any]
    checksum: str
    path: Path
    meter: dict[str, Any] = field(default_factory=dict)


def load_family(name_or_path: str | Path) -> Family:
    """Load a family by the name of a shipped one, or from a TOML file.

    Parameters
    ----------
    name_or_path : str or Path
        Name of a shipped family (``stacktruth list families``), or the path of a .toml file.

    Raises
    ------
    simulator.data.DataFileError
        Unknown name, broken TOML, an unknown key, form or name, or a draw that is not used.

    Examples
    --------
    >>> load_family("leaf").title
    'leaf with hairs and drops'
    """
    path = find_data_file(name_or_path, kind="family")
    values = load_toml(path)
    for key in values:
        if key not in _KEYS:
            raise DataFileError(f"{path}: got key {key!r}, allowed {', '.join(_KEYS)}")
    for key in ("title", "about"):
        if not isinstance(values.get(key, ""), str):
            raise DataFileError(f"{path}: {key}: got {shown_value(values[key])}, allowed text")
    scene, drawn = values.get("scene"), values.get("draw", {})
    if not isinstance(scene, dict):
        raise DataFileError(f"{path}: scene: got {shown_value(scene)}, allowed a table")
    for key in _GIVEN:
        if key in scene:
            raise DataFileError(f"{path}: scene.{key}: got it, allowed without: the draw says it")
    used: set[str] = set()
    known = check_draws(drawn, frozenset(), used, where=f"{path}: draw")
    check(scene, known, used, where=f"{path}: scene")
    meter = values.get("meter", {})
    _check_meter(meter, scene, where=str(path))
    check(meter, known, used, where=f"{path}: meter")
    refuse_unused(drawn, used, where=f"{path}: draw")
    return Family(
        name=path.stem,
        title=values.get("title", ""),
        about=values.get("about", ""),
        draw=drawn,
        scene=scene,
        checksum=sha256(path.read_bytes()),
        path=path,
        meter=meter,
    )


def _check_meter(meter: Any, scene: dict[str, Any], *, where: str) -> None:
    """Refuse a meter that says something else than its aim, or beside a gain of the family's."""
    if meter == {}:
        return
    if not isinstance(meter, dict) or set(meter) != {"white"}:
        got = sorted(meter) if isinstance(meter, dict) else meter
        raise DataFileError(f"{where}: meter: got {shown_value(got)}, allowed the one key 'white'")
    lighting = scene.get("lighting", {})
    if not isinstance(lighting, dict) or form_of(lighting, where=f"{where}: scene.lighting"):
        raise DataFileError(
            f"{where}: scene.lighting: got {shown_value(lighting)}, allowed a plain table: the "
            "meter says its gain"
        )
    if "gain" in lighting:
        raise DataFileError(
            f"{where}: scene.lighting.gain: got it, allowed without: the meter says it"
        )


def draw_asked_for(name: str | Path) -> tuple[Family, int] | None:
    """Return the family and the seed that a scene's name asks for; None for a plain scene.

    Parameters
    ----------
    name : str or Path
        ``FAMILY:SEED``, the family by its name or by the path of its file.

    Raises
    ------
    simulator.data.DataFileError
        A family that does not exist, or a seed that is no whole number.
    """
    found = _DRAW_OF.fullmatch(str(name))
    if found is None or is_file(Path(name)) or str(name).endswith(".toml"):
        return None
    family = load_family(found["family"])
    return family, checked_seed(found["seed"], where=f"scene '{name}'")


def checked_seed(seed: str | int, *, where: str) -> int:
    """Return a seed as a number.

    Raises
    ------
    simulator.data.DataFileError
        It is no whole number from 0 to 2**64 - 1.
    """
    if re.fullmatch("[0-9]{1,20}", str(seed)) and int(seed) < _MOST_SEED:
        return int(seed)
    raise DataFileError(
        f"{where}: got seed {shown_value(seed)}, allowed a whole number from 0 to 2**64 - 1"
    )


def change_since(family: str, checksum: str) -> str:
    """Tell what has become of a family since a scene was drawn from it; empty if nothing.

    Parameters
    ----------
    family : str
        Its name.
    checksum : str
        SHA-256 of its file then.
    """
    if family not in list_data_files("family"):
        return f"no family {family} is shipped here to compare it with"
    if _is(family, checksum):
        return ""
    earlier = f"{EARLIER}/{family}"
    as_it_was = f"; {earlier} is as it was" if _is(earlier, checksum) else ""
    return f"the family {family} has changed since{as_it_was}"


def _is(family: str, checksum: str) -> bool:
    """Tell whether a family is shipped whose file has a checksum."""
    try:
        path = find_data_file(family, kind="family")
    except DataFileError:
        return False
    return sha256(path.read_bytes()) == checksum
