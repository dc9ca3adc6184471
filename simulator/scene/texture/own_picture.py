"""A picture of one's own as a texture: where it lies, how it goes on, and how a pixel sees it."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np
from pydantic import Field, model_validator
from pydantic.dataclasses import dataclass

from ....ground.arrays import single
from ....ground.srgb import decode_srgb
from ....ground.types import Floats
from ...own_files import OwnChecksum, OwnFile, OwnPath, known
from ...rig import STRICT
from ..pattern import maps
from .painters import Painter, painter


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class OwnPicture:
    """A picture of one's own, in its colours: a photograph, a scan, a drawing.

    Its middle lies at (0, 0). Nothing finer than two pixels is shown of it, and nothing finer
    than its own pixels, between which colours go over evenly.

    Parameters
    ----------
    file : str
        TIFF, PNG or JPEG, from the scene file's folder; 2 pixels a side to 50 million. 8 and 16
        bits are taken as sRGB, floating point as linear light, 1 for a perfect white. Opacity,
        colour profiles and a camera's turning flag are not looked at.
    width_mm : float
        What it covers from its left edge to its right; its pixels are square.
    repeat : {"tile", "mirror"}
        How it goes on beyond its edges: ``mirror`` by its mirror image, which never has a seam;
        ``tile`` from the other edge, for pictures that were made to go on so.
    sha256 : str
        Checksum of the file. Left out, it is filled in by what is read; told, another content is
        refused.
    """

    file: OwnPath
    width_mm: float = Field(gt=0)
    repeat: Literal["tile", "mirror"] = "mirror"
    sha256: OwnChecksum = ""
    kind: Literal["picture"] = "picture"

    @model_validator(mode="after")
    def _readable(self) -> OwnPicture:
        file = known(self.file, self.sha256)
        linear_picture(file)
        object.__setattr__(self, "sha256", file.sha256)
        return self


@lru_cache(maxsize=4)
def linear_picture(file: OwnFile) -> Floats:
    """Return a picture in linear light, (rows, cols, 3)."""
    stored = file.picture()
    if stored.dtype.kind == "f":
        if stored.min() < 0:
            raise ValueError(f"{file.path}: got light of {stored.min():g}, allowed 0 or more")
        light = stored.astype(np.float32)
    else:
        levels = np.arange(int(np.iinfo(stored.dtype).max) + 1) / np.iinfo(stored.dtype).max
        light = decode_srgb(levels, dtype=np.float64).astype(np.float32)[stored]
    return light if light.ndim == 3 else np.repeat(light[..., None], 3, axis=2)


@lru_cache(maxsize=4)
def _level(file: OwnFile, repeat: Literal["tile", "mirror"], step: int | None) -> Floats:
    """Return a picture for one pixel size, ready to be read; light is never below none."""
    seen = maps.band_limited(linear_picture(file), step, repeat)
    return maps.padded(np.maximum(seen, 0), repeat)


@painter.register
def _picture(texture: OwnPicture, footprint_mm: float, seed: int) -> Painter:
    file = OwnFile(texture.file, texture.sha256)
    rows, cols = linear_picture(file).shape[:2]
    level = _level(file, texture.repeat, maps.cut_step(texture.width_mm / cols, footprint_mm))
    across = single(1 / texture.width_mm)
    down = single(cols / rows / texture.width_mm)
    half = single(0.5)

    def paint(x: Floats, y: Floats) -> Floats:
        u = maps.folded(across * x + half, texture.repeat)
        v = maps.folded(down * y + half, texture.repeat)
        return maps.read_linear(level, u, v)

    return paint
