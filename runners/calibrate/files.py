"""The pictures of a folder: which they are, how large, and how the camera was held."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import tifffile
from PIL import Image as PillowImage
from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

from ...ground.json_text import read_json
from ...simulator.data import DataFileError, validate
from ..request import RequestError
from .times import INFO, TURNED, exif, read_well
from .turned import QUARTERS

_OPEN = ConfigDict(extra="ignore")
_Number = Annotated[float, Field(strict=True, ge=-1e9, le=1e9)]
_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff")


@dataclass(frozen=True, kw_only=True, config=_OPEN)
class _FrameSaid:
    file: str = ""
    time_s: _Number | None = None
    exposure_s: _Number | None = None


@dataclass(frozen=True, kw_only=True, config=_OPEN)
class _InfoSaid:
    """What is used of a frames.json, whatever wrote it."""

    frames: list[_FrameSaid] = Field(default_factory=list)
    pitch_um: Annotated[float, Field(strict=True, gt=0, le=1000)] | None = None
    encoding: str = ""


def picture_files(folder: Path, *, fewest: int, needs: str) -> list[Path]:
    """Return the pictures of a folder, or of a stack, in order of their names.

    `needs` says, where there are fewer than `fewest`, what for.

    Raises
    ------
    RequestError
        It is no folder, or holds fewer pictures than are needed.
    """
    if not folder.is_dir():
        raise RequestError(
            f"{folder} is no folder: got none, expected the folder of the burst's pictures"
        )
    place = folder / "frames" if (folder / "frames").is_dir() else folder
    paths = sorted(path for path in place.iterdir() if path.suffix.lower() in _SUFFIXES)
    if len(paths) < fewest:
        found = "1 picture" if len(paths) == 1 else f"{len(paths)} pictures"
        raise RequestError(f"{place}: got {found}, expected more: {needs}")
    return paths


def quarter_turns(paths: Sequence[Path]) -> int:
    """Return the quarter turns that set all pictures upright.

    Raises
    ------
    RequestError
        They were not all held the same way.
    """
    turned = {path.name: exif(path).get(TURNED, 1) for path in paths}
    first = turned[paths[0].name]
    for name, way in turned.items():
        if way != first:
            raise RequestError(
                f"frames are turned differently: got orientation {way} in {name}, expected {first} "
                f"as in {paths[0].name}"
            )
    return QUARTERS.get(first, 0)


def frames_info(folder: Path) -> Mapping[str, Any]:
    """Return what frames.json says of the pictures of a folder; nothing where there is none.

    Raises
    ------
    ValueError
        What is used of it is not as it must be; the message names file and key.
    """
    for place in (folder / INFO, folder.parent / INFO):
        if place.is_file() and (place.parent == folder or folder.name == "frames"):
            try:
                found: Mapping[str, Any] = read_json(place)
                validate(_InfoSaid, found, where=place, ranges=False)
            except DataFileError as error:
                raise RequestError(str(error)) from error
            return found
    return {}


def one_size(paths: Sequence[Path]) -> tuple[int, int]:
    """Return rows and columns that all pictures have.

    Raises
    ------
    RequestError
        They differ, or one cannot be read.
    """
    sizes = {path.name: _size(path) for path in paths}
    first = sizes[paths[0].name]
    for name, size in sizes.items():
        if size != first:
            raise RequestError(
                f"frames differ in size: got {size[1]}x{size[0]} pixels in {name}, expected "
                f"{first[1]}x{first[0]} as in {paths[0].name}"
            )
    return first


def _size(path: Path) -> tuple[int, int]:
    """Return rows and columns, without decoding the picture."""
    with read_well(path):
        if path.suffix.lower() in (".tif", ".tiff"):
            with tifffile.TiffFile(path) as file:
                rows, cols = file.pages[0].shape[:2]
                return int(rows), int(cols)
        with PillowImage.open(path) as image:
            return image.height, image.width
