"""Frames of a camera held upright, turned as it was held."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, overload

import numpy as np

from ...ground.types import Image

#: Quarter turns, against the clock, that set a picture upright, by its EXIF orientation (EXIF
#: 2.32, tag 0x0112); a mirrored one no camera writes.
QUARTERS = {1: 0, 3: 2, 6: 3, 8: 1}


class TurnedFrames(Sequence[Image]):
    """Frames that are read when asked for, and turned by quarters of a turn against the clock."""

    def __init__(self, frames: Sequence[Any], quarters: int) -> None:
        self._frames, self._quarters = frames, quarters

    def __len__(self) -> int:
        return len(self._frames)

    @overload
    def __getitem__(self, index: int) -> Image: ...
    @overload
    def __getitem__(self, index: slice) -> TurnedFrames: ...
    def __getitem__(self, index: int | slice) -> Image | TurnedFrames:
        if isinstance(index, slice):
            return TurnedFrames(self._frames[index], self._quarters)
        return self._turned(self._frames[index])

    def __iter__(self) -> Iterator[Image]:
        return map(self._turned, self._frames)

    def _turned(self, image: Image) -> Image:
        return np.ascontiguousarray(np.rot90(image, self._quarters))
