"""A folder of finished pictures for a blind set: what is in it, and what is wrong with it.

The author's check and the scorer both look through here, so they agree.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass as checked

from ...ground.toml import TomlError, parse_toml
from ...simulator.data import DataFileError, validate
from ...simulator.rig import STRICT
from ..contract import InvalidOutput, Result, as_result
from ..isolate.handover import read_bytes
from ..isolate.picture_files import read_picture
from ..request import RequestError
from .dataset import BlindFacts, BlindIndex

#: What an author may say about a submission.
ABOUT = "submission.toml"
PICTURES = (".tif", ".tiff", ".png", ".jpg", ".jpeg")
_DEPTH = ".depth.tif"
_MAX_ABOUT_MB = 1.0
# More than any picture of that many pixels takes: four channels of 32 bits, and some room.
_BYTES_A_PIXEL, _ROOM_MB = 16, 1.0


@checked(frozen=True, kw_only=True, config=STRICT)
class SubmissionFacts:
    """The content of submission.toml.

    Parameters
    ----------
    label : str
        Of the method; empty: the folder's name.
    depth_unit : {"frame", "mm"}
        What the depth maps' values count.
    """

    label: str = Field(default="", max_length=100)
    depth_unit: Literal["frame", "mm"] = "frame"


def examine(index: BlindIndex, folder: Path) -> Iterator[tuple[str, Result | str]]:
    """Look through a submission, and yield each stack's result, or a sentence on what is wrong.

    Files that belong to no stack come after the stacks.

    Raises
    ------
    RequestError
        There is no such folder.
    """
    if not folder.is_dir():
        raise RequestError(f"{folder}: there is no such folder")
    about, wrong = _about(folder)
    for name, facts in index.stacks.items():
        try:
            yield name, _result(folder, name, facts, unit=about.depth_unit)
        except InvalidOutput as error:
            yield name, str(error)
    yield from wrong.items()
    allowed = {f"{name}{suffix}" for name in index.stacks for suffix in (*PICTURES, _DEPTH)}
    for path in sorted(folder.iterdir()):
        if path.name not in (*allowed, ABOUT):
            yield path.name, "it belongs to no stack of the set; take it away"


def label_of(folder: Path) -> str:
    """Return what the author calls the method, or the folder's name."""
    return _about(folder)[0].label or folder.resolve().name


def _about(folder: Path) -> tuple[SubmissionFacts, Mapping[str, str]]:
    path = folder / ABOUT
    if not path.exists() and not path.is_symlink():
        return SubmissionFacts(), {}
    try:
        values = parse_toml(read_bytes(path, max_mb=_MAX_ABOUT_MB, who="the author"))
        return validate(SubmissionFacts, values, where=ABOUT), {}
    except (InvalidOutput, TomlError, DataFileError, OSError) as error:
        named = "" if str(error).startswith(ABOUT) else f"{ABOUT}: "
        return SubmissionFacts(), {ABOUT: f"{named}{error}"}


def _result(folder: Path, name: str, facts: BlindFacts, *, unit: str) -> Result:
    shape = (facts.height_px, facts.width_px)
    max_mb = facts.height_px * facts.width_px * _BYTES_A_PIXEL / 1e6 + _ROOM_MB
    found = [folder / f"{name}{suffix}" for suffix in PICTURES]
    found = [path for path in found if path.exists() or path.is_symlink()]
    if not found:
        raise InvalidOutput(f"there is no picture; expected {name}.tif, {name}.png or {name}.jpg")
    if len(found) > 1:
        raise InvalidOutput(f"got {' and '.join(path.name for path in found)}, allowed one of them")
    parts: dict[str, Any] = {"reference": facts.reference}
    parts["image"] = read_picture(found[0], (*shape, 3), max_mb=max_mb)
    depth = folder / f"{name}{_DEPTH}"
    if depth.exists() or depth.is_symlink():
        parts |= {"depth": read_picture(depth, shape, max_mb=max_mb), "depth_unit": unit}
    info = {"width_px": shape[1], "height_px": shape[0], "frames": facts.frames}
    return as_result(parts, info=info)
