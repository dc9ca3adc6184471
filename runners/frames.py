"""Frames of a stack as a lazy sequence: a picture is read when it is asked for, and not kept."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, overload

import numpy as np

from ..ground.pictures import read_image
from ..ground.types import Image


class FrameFolder(Sequence[Image]):
    """The frames in a folder.

    Indexing and iterating read the file; ``len``, ``shape`` and ``dtype`` do not need more
    than the first frame. A slice is again lazy.

    Parameters
    ----------
    paths : sequence of Path
        One picture file per frame, in order.
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        if not paths:
            raise ValueError("a stack needs at least one frame, got none")
        self.paths = tuple(Path(path) for path in paths)
        self._first: tuple[tuple[int, ...], np.dtype[Any]] | None = None

    def __len__(self) -> int:
        return len(self.paths)

    @overload
    def __getitem__(self, index: int) -> Image: ...
    @overload
    def __getitem__(self, index: slice) -> FrameFolder: ...
    def __getitem__(self, index: int | slice) -> Image | FrameFolder:
        if isinstance(index, slice):
            return FrameFolder(self.paths[index])
        return read_image(self.paths[index])

    def __iter__(self) -> Iterator[Image]:
        return (read_image(path) for path in self.paths)

    @property
    def shape(self) -> tuple[int, ...]:
        """(frames, rows, cols, 3)."""
        return (len(self), *self._layout()[0])

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of every frame's values."""
        return self._layout()[1]

    def _layout(self) -> tuple[tuple[int, ...], np.dtype[Any]]:
        if self._first is None:
            first = self[0]
            self._first = (first.shape, first.dtype)
        return self._first


def open_frames(folder: str | Path, info: Mapping[str, Any]) -> FrameFolder:
    """Return the frames that frames.json names, from the folder they lie in.

    Raises
    ------
    FileNotFoundError
        When a file named in `info` is missing.
    """
    folder = Path(folder)
    paths = [folder / Path(frame["file"]).name for frame in info["frames"]]
    for path in paths:
        if not path.is_file():
            raise FileNotFoundError(f"frame {path.name} is missing in {folder}")
    return FrameFolder(paths)
