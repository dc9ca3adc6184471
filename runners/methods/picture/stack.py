"""A stack as stages see it: frames read when needed, and small copies that are kept.

All measuring before the fusion (which frames, gains, alignment) is done on the small copies, so
that a method reads each frame only once more for each pass of its fusion.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ....ground.srgb import LUMA
from ....ground.types import Bools, Floats, Image
from .strips import strips
from .tone import decoder, full_scale, to_light

PROXY_PIXELS = 400_000
THUMB_PIXELS = 6_000
# Above this many pixels at least 2 x 2 are averaged: noise falls, and a fortieth of a pixel can
# still be resolved.
_FULL_PIXELS = 120_000
# A value this near to white counts as clipped: noise and resampling leave a clipped patch a
# little below the end of the scale.
CLIPPED = 0.98


@dataclass(frozen=True, eq=False, slots=True)
class SmallCopies:
    """Small copies of one frame.

    Parameters
    ----------
    luma : array (rows, cols) of float32
        Luminance, linear; the proxy for alignment.
    light : array (rows, cols, 3) of float32
        Linear light, for levels and gains.
    clipped : array (rows, cols) of bool
        Where `light` holds a clipped pixel.
    steepness : array (rows, cols, 2) of float32
        Mean absolute second difference of the luma within each pixel of `light`, down and right.
    """

    luma: Floats
    light: Floats
    clipped: Bools
    steepness: Floats

    @property
    def sharpness(self) -> Floats:
        """Mean absolute second difference, both directions together, shape (rows, cols)."""
        return np.asarray(self.steepness.sum(axis=2))


class InputStack:
    """The frames of a stack as a method is given them, with the camera's facts.

    Parameters
    ----------
    frames : sequence of array (rows, cols, 3)
        May be lazy; a frame is asked for when it is needed.
    info : mapping
        The stack's frames.json.
    """

    def __init__(self, frames: Sequence[Any], info: Mapping[str, Any]) -> None:
        self.frames = frames
        self.info = info
        self.linear = info.get("encoding", "srgb") == "linear"
        first = np.asarray(frames[0])
        self.dtype = first.dtype
        self.shape: tuple[int, int] = first.shape[:2]
        large = self.shape[0] * self.shape[1] > _FULL_PIXELS
        self.proxy_bin = max(_bin_for(self.shape, PROXY_PIXELS), 2 if large else 1)
        self.thumb_bin = self.proxy_bin * _bin_for(
            (self.shape[0] // self.proxy_bin, self.shape[1] // self.proxy_bin), THUMB_PIXELS
        )
        self._small: dict[int, SmallCopies] = {}

    def __len__(self) -> int:
        return len(self.frames)

    @property
    def reference(self) -> int | None:
        """Frame in whose view a result is asked for; None where nothing is said of it."""
        asked = self.info.get("reference")
        return None if asked is None else int(asked)

    def reader(
        self, index: int, gain: npt.ArrayLike = 1.0, *, grey: bool = False
    ) -> Callable[[slice], Floats]:
        """Read one frame; return what gives rows of it as float32, with a gain on its light.

        In its own encoding; where `grey` is true, the luma of that.
        """
        frame = np.asarray(self.frames[index])
        decoded = decoder(frame.dtype, gain=gain, linear=self.linear)
        if grey:
            return lambda rows: decoded(frame[rows]) @ LUMA
        return lambda rows: decoded(frame[rows])

    def small(self, index: int) -> SmallCopies:
        """Return the small copies of one frame, made at the first call."""
        if index not in self._small:
            self._small[index] = self._shrink(np.asarray(self.frames[index]))
        return self._small[index]

    def _shrink(self, image: Image) -> SmallCopies:
        rows = strips(len(image), image[0].size, multiple=self.thumb_bin)
        parts = [self._shrink_rows(image, strip) for strip in rows]
        return SmallCopies(*(np.concatenate(part) for part in zip(*parts, strict=True)))

    def _shrink_rows(self, image: Image, rows: slice) -> tuple[Image, ...]:
        """Return what the small copies hold of a strip of rows, in their order."""
        part = image[rows]
        proxy = binned(to_light(part, linear=self.linear), self.proxy_bin)
        # A maximum over the short last axis would take twenty times as long.
        brightest = np.maximum(np.maximum(part[..., 0], part[..., 1]), part[..., 2])
        white = brightest >= CLIPPED * full_scale(image.dtype)
        return (
            proxy @ LUMA,
            binned(proxy, self.thumb_bin // self.proxy_bin),
            binned(white.astype(np.float32), self.thumb_bin) > 0,
            binned(_second_differences(image, rows), self.thumb_bin),
        )


def _bin_for(shape: tuple[int, int], pixels: int) -> int:
    return max(1, int(np.ceil(np.sqrt(shape[0] * shape[1] / pixels))))


def _second_differences(image: Image, rows: slice) -> Floats:
    """Return absolute second differences of grey (rows, cols, 2), down and right; 0 at borders."""
    above, below = rows.start > 0, rows.stop < len(image)
    near = image[rows.start - above : rows.stop + below].astype(np.float32)
    grey = near @ (LUMA / np.float32(full_scale(image.dtype)))
    out = np.zeros((rows.stop - rows.start, image.shape[1], 2), dtype=np.float32)
    inner = out[1 - above : len(out) - 1 + below, :, 0]
    np.abs(2 * grey[1:-1] - grey[:-2] - grey[2:], out=inner)
    own = grey[above : above + len(out)]
    np.abs(2 * own[:, 1:-1] - own[:, :-2] - own[:, 2:], out=out[:, 1:-1, 1])
    return out


def binned(image: Floats, size: int) -> Floats:
    """Average blocks of `size` x `size` pixels; what is left at the far edges is cut off."""
    if size == 1:
        return image
    rows, columns = image.shape[0] // size, image.shape[1] // size
    # Adding strided slices is several times faster than a mean over two short axes.
    tall = sum(image[start : rows * size : size, : columns * size] for start in range(1, size))
    tall = tall + image[: rows * size : size, : columns * size]
    wide = sum(tall[:, start::size] for start in range(1, size)) + tall[:, ::size]
    return np.asarray(wide * np.float32(1 / size**2), dtype=np.float32)
