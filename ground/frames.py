"""Frames as a lazy sequence: a picture is read when it is asked for, and not kept."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, overload

import numpy as np

from .pictures import read_image
from .types import Image


class FrameFiles(Sequence[Image]):
    """Frames in files, all of one shape and type.

    Parameters
    ----------
    paths : sequence of Path
        One picture file per frame, in order.
    frame_shape : (rows, cols, 3) or None
    dtype : numpy dtype or None
        None takes shape and type of the first frame, which is read when they are asked for.

    Raises
    ------
    ValueError
        There are no paths; when a frame is read: it is no picture, or unlike the others.
    """

    def __init__(
        self,
        paths: Sequence[Path],
        *,
        frame_shape: tuple[int, ...] | None = None,
        dtype: np.dtype[Any] | None = None,
    ) -> None:
        if not paths:
            raise ValueError("a stack needs at least one frame, got none")
        self.paths = tuple(Path(path) for path in paths)
        self._layout = None if frame_shape is None or dtype is None else (frame_shape, dtype)

    @property
    def frame_shape(self) -> tuple[int, ...]:
        """Shape of every frame: (rows, cols, 3)."""
        return self._expected()[0]

    @property
    def shape(self) -> tuple[int, ...]:
        """(frames, rows, cols, 3)."""
        return (len(self.paths), *self.frame_shape)

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of every frame's values."""
        return self._expected()[1]

    def __len__(self) -> int:
        return len(self.paths)

    @overload
    def __getitem__(self, index: int) -> Image: ...
    @overload
    def __getitem__(self, index: slice) -> FrameFiles: ...
    def __getitem__(self, index: int | slice) -> Image | FrameFiles:
        if isinstance(index, slice):
            shape, dtype = self._layout or (None, None)
            return FrameFiles(self.paths[index], frame_shape=shape, dtype=dtype)
        return self._read(self.paths[index])

    def __iter__(self) -> Iterator[Image]:
        return map(self._read, self.paths)

    def _expected(self) -> tuple[tuple[int, ...], np.dtype[Any]]:
        if self._layout is None:
            first = read_image(self.paths[0])
            self._layout = first.shape, first.dtype
        return self._layout

    def _read(self, path: Path) -> Image:
        image = read_image(path)
        if self._layout is None and path == self.paths[0]:
            self._layout = image.shape, image.dtype
        shape, dtype = self._expected()
        if image.shape != shape or image.dtype != dtype:
            raise ValueError(
                f"{path.name}: got {image.dtype} of shape {image.shape}, "
                f"expected {dtype} of shape {shape}"
            )
        return image
