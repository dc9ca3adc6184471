"""The pictures of a folder: which they are, how large, and how the camera was held."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tifffile
from PIL import Image as PillowImage

from ...ground.json_text import read_json
from ..request import RequestError
from .times import INFO, TURNED, exif
from .turned import QUARTERS

_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff")


def picture_files(folder: Path, *, fewest: int, needs: str) -> list[Path]:
    """Return the pictures of a folder, or of a stack, in order of their names.

    `needs` says, where there are fewer than `fewest`, what for.

    Raises
    ------
    RequestError
        It is no folder, or holds fewer pictures than are needed.
    """
    if not folder.is_dir():
        raise RequestError(f"{folder} is no folder; give the folder of the burst's pictures")
    place = folder / "frames" if (folder / "frames").is_dir() else folder
    paths = sorted(path for path in place.iterdir() if path.suffix.lower() in _SUFFIXES)
    if len(paths) < fewest:
        found = "1 picture" if len(paths) == 1 else f"{len(paths)} pictures"
        raise RequestError(f"{place}: {found}, {needs}")
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
                f"frames are turned differently: orientation {first} in {paths[0].name}, "
                f"{way} in {name}"
            )
    return QUARTERS.get(first, 0)


def frames_info(folder: Path) -> Mapping[str, Any]:
    """Return what frames.json says of the pictures of a folder; nothing where there is none."""
    for place in (folder / INFO, folder.parent / INFO):
        if place.is_file() and (place.parent == folder or folder.name == "frames"):
            found = read_json(place)
            return found if isinstance(found, dict) else {}
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
                f"frames differ in size: {paths[0].name} is {first[1]}x{first[0]}, "
                f"{name} is {size[1]}x{size[0]} pixels"
            )
    return first


def _size(path: Path) -> tuple[int, int]:
    """Return rows and columns, without decoding the picture."""
    try:
        if path.suffix.lower() in (".tif", ".tiff"):
            with tifffile.TiffFile(path) as file:
                rows, cols = file.pages[0].shape[:2]
                return int(rows), int(cols)
        with PillowImage.open(path) as image:
            return image.height, image.width
    except (OSError, ValueError, tifffile.TiffFileError) as error:
        raise RequestError(f"{path.name} cannot be read as a picture: {error}") from error
