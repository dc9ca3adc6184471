"""The formats that a camera writes frames in.

The same picture gives the same bytes each time: no file holds a date or the name of a machine.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

FormatName = Literal["tiff16", "png16", "jpeg8", "float32"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFormat:
    """How the frames of a stack are written.

    Parameters
    ----------
    name : {"tiff16", "png16", "jpeg8", "float32"}
    title : str
    suffix : str
        Of the files.
    encoding : {"srgb16", "srgb8", "float"}
        The pictures a `simulator.shoot.Shoot` must render for it.
    transfer : {"srgb", "linear"}
        How values stand for light.
    bits : int
        Per value.
    """

    name: FormatName
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


FORMATS: Mapping[str, FrameFormat] = MappingProxyType(
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


def frame_file(number: int, how: FrameFormat) -> str:
    """Return the path of a frame in its stack."""
    return f"frames/{number:04d}{how.suffix}"
