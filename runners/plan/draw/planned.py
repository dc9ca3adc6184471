"""What a plan says to shoot, as a file that a shoot can be made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from ....ground.json_text import read_json
from ....simulator.data import validate
from ....simulator.shooting.shoot import MAX_FRAMES
from .setting import Setting
from .way import Way

#: Where it stands in a plan's file.
KEY = "to_shoot"
#: Most passes of a way that is shot: far more than any plan has.
MOST_PASSES = 100


@dataclass(frozen=True, kw_only=True)
class Planned:
    """What a plan says to shoot.

    Parameters
    ----------
    setting : Setting
        With lens, hands, light and subject in full.
    way : Way
    chance : float
        Promised chance that nothing is missed, 0 to 1.
    """

    setting: Setting
    way: Way
    chance: float


def planned_data(planned: Planned) -> dict[str, Any]:
    """Return it as plain data that JSON can hold without loss."""
    data: dict[str, Any] = TypeAdapter(Planned).dump_python(planned, mode="json")
    return data


def read_planned(path: str | Path) -> Planned:
    """Read what a plan says to shoot from the ``plan.json`` of its folder.

    Raises
    ------
    ValueError
        The file is no plan, or a key or value is not allowed.
    OSError
        It cannot be read.
    """
    values = read_json(Path(path))
    if not isinstance(values, Mapping) or KEY not in values:
        raise ValueError(
            f"{path}: got no key {KEY!r}, expected the plan.json of a folder that "
            "stacktruth plan --out has made"
        )
    found = validate(Planned, values[KEY], where=f"{path}: {KEY}")
    for name, most in (("passes", MOST_PASSES), ("frames", MAX_FRAMES)):
        count = getattr(found.way, name)
        if not 1 <= count <= most:
            raise ValueError(f"{path}: {KEY}: key 'way.{name}': got {count}, allowed 1 to {most}")
    return found
