"""What a fusion sees: the chosen frames, equalised and aligned, one at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ....ground.srgb import LUMA, decode_srgb, encode_srgb
from ....ground.types import Bools, Floats
from ..picture.geometry import (
    Coordinates,
    Matrix,
    carried,
    covered,
    enlarged,
    inside,
    resample_dense,
    resample_rows,
)
from ..picture.stack import InputStack
from .align import Alignment
from .equalise import Gains


@dataclass(frozen=True, eq=False, slots=True)
class AlignedFrame:
    """One frame in the reference geometry.

    Parameters
    ----------
    image : array (rows, cols, 3) or (rows, cols) of float32
        In the frames' own encoding, 1.0 = white.
    covered : array (rows, cols) of bool
        Where the frame really shows something; elsewhere its edge is continued.
    """

    image: Floats
    covered: Bools


class AlignedFrames:
    """The frames of an alignment in order of depth; may be iterated more than once.

    Parameters
    ----------
    stack : InputStack
    alignment : Alignment
    gains : mapping of int to array of three
    """

    def __init__(self, stack: InputStack, alignment: Alignment, gains: Gains) -> None:
        self.stack, self.alignment, self.gains = stack, alignment, gains
        self.shape = stack.shape
        self.reference_position = (
            alignment.used.index(alignment.reference)
            if alignment.reference in alignment.used
            else 0
        )

    def __len__(self) -> int:
        return len(self.alignment.used)

    def __iter__(self) -> Iterator[AlignedFrame]:
        return (self.frame(position) for position in range(len(self)))

    def greys(self) -> Iterator[AlignedFrame]:
        """Yield the frames in grey (luma), which costs a third of the time."""
        return (self.frame(position, grey=True) for position in range(len(self)))

    def frame(self, position: int, *, grey: bool = False) -> AlignedFrame:
        """Return the frame at one position of the order of depth."""
        frame = self.alignment.used[position]
        gain = self.gains[frame]
        if gain.ndim == 3:
            return self._locally_gained(frame, gain, grey=grey)
        return self._aligned(self.stack.reader(frame, gain, grey=grey), frame)

    def taken(self, position: npt.NDArray[Any]) -> Floats:
        """Take each pixel from the frame at a position of its own.

        Parameters
        ----------
        position : array (rows, cols)
            Whole positions. Where there is no such frame, or it does not show the pixel, the
            reference is taken.
        """
        out = self.frame(self.reference_position).image.copy()
        for index in range(len(self)):
            take = position == index
            if take.any():
                frame = self.frame(index)
                take &= frame.covered
                out[take] = frame.image[take]
        return out

    def _aligned(self, read: Callable[[slice], Floats], frame: int) -> AlignedFrame:
        matrix = self.alignment.matrices[frame]
        if self.alignment.places is not None:
            return self._dense(read(slice(None)), self.alignment.places(frame), matrix)
        return AlignedFrame(resample_rows(read, self.shape, matrix), covered(matrix, self.shape))

    def _dense(self, image: Floats, places: Coordinates, matrix: Matrix) -> AlignedFrame:
        """Resample pixel by pixel; what the frame does not show is continued by the matrix."""
        shown = inside(places[..., 0], places[..., 1], self.shape)
        filled = np.where(np.isnan(places), carried(matrix, self.shape), places)
        return AlignedFrame(resample_dense(image, filled), shown)

    def _locally_gained(self, frame: int, gain: Floats, *, grey: bool) -> AlignedFrame:
        """Apply a gain that varies over the reference picture."""
        aligned = self._aligned(self.stack.reader(frame), frame)
        size = self.stack.thumb_bin
        planes = [enlarged(gain[..., channel], size, self.shape) for channel in range(3)]
        field = np.stack(planes, axis=-1)
        if self.stack.linear:
            image: Floats = aligned.image * field
        else:
            image = encode_srgb(decode_srgb(aligned.image) * field)
        return AlignedFrame(image @ LUMA if grey else image, aligned.covered)
