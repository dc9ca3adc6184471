"""Picture files: frames in the formats a camera writes, and the images of the truth.

The same picture gives the same bytes each time: no file holds a date or the name of a machine.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, overload

import numpy as np

from ...ground.pictures import read_image
from ...ground.types import Image


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFormat:
    """How the frames of a stack are written.

    Parameters
    ----------
    name, title : str
    suffix : str
        Of the files.
    encoding : {"srgb16", "srgb8", "float"}
        The pictures a `simulator.shoot.Shoot` must render for it.
    transfer : {"srgb", "linear"}
        How values stand for light.
    bits : int
        Per value.
    """

    name: str
    title: str
    suffix: str
    encoding: Literal["srgb16", "srgb8", "float"]
    transfer: Literal["srgb", "linear"]
    bits: int

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of the values."""
        kinds = {8: np.uint8, 16: np.uint16, 32: np.float32}
        return np.dtype(kinds[self.bits])


FORMATS = MappingProxyType(
    {
        found.name: found
        for found in (
            FrameFormat(
                name="tiff16",
                title="16-bit sRGB TIFF",
                suffix=".tif",
                encoding="srgb16",
                transfer="srgb",
                bits=16,
            ),
            FrameFormat(
                name="png16",
                title="16-bit sRGB PNG",
                suffix=".png",
                encoding="srgb16",
                transfer="srgb",
                bits=16,
            ),
            FrameFormat(
                name="jpeg8",
                title="8-bit sRGB JPEG, no chroma subsampling",
                suffix=".jpg",
                encoding="srgb8",
                transfer="srgb",
                bits=8,
            ),
            FrameFormat(
                name="float32",
                title="linear float TIFF, light before the sensor",
                suffix=".tif",
                encoding="float",
                transfer="linear",
                bits=32,
            ),
        )
    }
)


def frame_format(name: str) -> FrameFormat:
    """Find a format by name.

    Raises
    ------
    ValueError
        There is none of that name.
    """
    if name not in FORMATS:
        raise ValueError(f"format: got {name!r}, allowed {', '.join(FORMATS)}")
    return FORMATS[name]


class FrameFiles(Sequence[Image]):
    """The frames of a stack, read when they are asked for and not kept.

    Parameters
    ----------
    paths : sequence of Path
        One picture file per frame, in order.
    frame_shape : (rows, cols, 3)
    dtype : numpy dtype
    """

    def __init__(
        self, paths: Sequence[Path], *, frame_shape: tuple[int, int, int], dtype: np.dtype[Any]
    ) -> None:
        self.paths = tuple(paths)
        self.frame_shape = frame_shape
        self.dtype = dtype

    @property
    def shape(self) -> tuple[int, int, int, int]:
        """(frames, rows, cols, 3)."""
        return (len(self.paths), *self.frame_shape)

    def __len__(self) -> int:
        return len(self.paths)

    @overload
    def __getitem__(self, index: int) -> Image: ...
    @overload
    def __getitem__(self, index: slice) -> FrameFiles: ...
    def __getitem__(self, index: int | slice) -> Image | FrameFiles:
        if isinstance(index, slice):
            return FrameFiles(self.paths[index], frame_shape=self.frame_shape, dtype=self.dtype)
        return self._read(self.paths[index])

    def __iter__(self) -> Iterator[Image]:
        return map(self._read, self.paths)

    def _read(self, path: Path) -> Image:
        image = read_image(path)
        if image.shape != self.frame_shape or image.dtype != self.dtype:
            raise ValueError(
                f"{path.name}: got {image.dtype} of shape {image.shape}, "
                f"expected {self.dtype} of shape {self.frame_shape}"
            )
        return image
