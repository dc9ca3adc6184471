"""What the files of a stack must say before they are used, whoever wrote them.

Checksums tell that a file is as it was written; they tell nothing of one written otherwise, with
checksums of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, TypeVar

import numpy as np
from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

from ...ground.types import Image
from ..data import DataFileError, validate
from .manifest import INFO, TRUTH, StackError

T = TypeVar("T")

_OPEN = ConfigDict(extra="ignore")
_Count = Annotated[int, Field(strict=True, ge=0, lt=1 << 31)]
_Side = Annotated[int, Field(strict=True, ge=1, le=1 << 16)]
_COLOURED = ("ideal", "achievable")


@dataclass(frozen=True, kw_only=True, config=_OPEN)
class _FrameSaid:
    file: Annotated[str, Field(max_length=1000)]


@dataclass(frozen=True, kw_only=True, config=_OPEN)
class _InfoSaid:
    frames: Annotated[list[_FrameSaid], Field(min_length=1, max_length=5000)]
    reference: _Count
    width_px: _Side
    height_px: _Side


@dataclass(frozen=True, kw_only=True, config=_OPEN)
class _TruthSaid:
    reference: _Count


def checked_info(folder: Path, values: Any) -> Mapping[str, Any]:
    """Return what frames.json holds, once it holds what every reader of it needs.

    Raises
    ------
    StackError
    """
    said = _validated(_InfoSaid, values, folder / INFO)
    if said.reference >= len(said.frames):
        raise StackError(
            f"{folder / INFO}: key 'reference': got {said.reference}, allowed 0 to "
            f"{len(said.frames) - 1}",
            file=INFO,
        )
    held: Mapping[str, Any] = values
    return held


def checked_truth(folder: Path, values: Any) -> Mapping[str, Any]:
    """Return what truth.json holds, once it holds what every reader of it needs.

    Raises
    ------
    StackError
    """
    _validated(_TruthSaid, values, folder / TRUTH)
    held: Mapping[str, Any] = values
    return held


def checked_image(image: Image, name: str, *, at: Path, info: Mapping[str, Any]) -> Image:
    """Return an image of the truth, once it has the size of a frame, and numbers.

    Parameters
    ----------
    image : array
    name : str
        Of the image, as in `truthfiles.TRUTH_IMAGES`.
    at : Path
        Its file.
    info : mapping
        The stack's frames.json.

    Raises
    ------
    StackError
    """
    sides = (info["height_px"], info["width_px"])
    expected = (*sides, 3) if name in _COLOURED else sides
    if image.shape != expected or image.dtype.kind not in "fiu":
        raise StackError(
            f"{at}: got an array {image.shape} of {np.dtype(image.dtype).name}, expected numbers "
            f"in {expected}",
            file=f"truth/{at.name}",
            got=image.shape,
            expected=expected,
        )
    return image


def _validated(cls: type[T], values: Any, at: Path) -> T:
    try:
        return validate(cls, values, where=at, ranges=False)
    except DataFileError as error:
        raise StackError(str(error), file=at.name) from error
