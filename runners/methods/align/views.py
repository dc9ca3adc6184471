"""What a fusion sees: the chosen frames, equalised and aligned, one at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from ....ground.srgb import LUMA, decode_srgb, encode_srgb
from ....ground.types import Floats
from ..picture.geometry import (
    Coordinates,
    Matrix,
    carried,
    covered,
    inside,
    resample_dense,
    resample_rows,
)
from ..picture.stack import Stack
from .align import Alignment
from .equalise import Gains


@dataclass(frozen=True, eq=False, slots=True)
class View:
    """One frame in the reference geometry.

    Parameters
    ----------
    image : ndarray, shape (H, W, 3) or (H, W), float32
        In the frames' own encoding, 1.0 = white.
    covered : ndarray, shape (H, W), bool
        Where the frame really shows something; elsewhere its edge is continued.
    """

    image: Floats
    covered: npt.NDArray[np.bool_]


class Views:
    """The frames of an alignment in order of depth; may be gone through more than once.

    Parameters
    ----------
    stack : Stack
    alignment : Alignment
    gains : mapping of int to array of three
    """

    def __init__(self, stack: Stack, alignment: Alignment, gains: Gains) -> None:
        self.stack, self.alignment, self.gains = stack, alignment, gains
        self.shape = stack.shape
        self.reference_position = (
            alignment.used.index(alignment.reference)
            if alignment.reference in alignment.used
            else 0
        )

    def __len__(self) -> int:
        return len(self.alignment.used)

    def __iter__(self) -> Iterator[View]:
        return (self.view(position) for position in range(len(self)))

    def greys(self) -> Iterator[View]:
        """Go through the frames in grey (luma), which costs a third."""
        return (self.view(position, grey=True) for position in range(len(self)))

    def view(self, position: int, *, grey: bool = False) -> View:
        """Return the frame at one position of the order of depth."""
        frame = self.alignment.used[position]
        gain = self.gains[frame]
        if gain.ndim == 3:
            return self._locally_gained(frame, gain, grey=grey)
        return self._aligned(self.stack.reader(frame, gain, grey=grey), frame)

    def _aligned(self, read: Callable[[slice], Floats], frame: int) -> View:
        matrix = self.alignment.matrices[frame]
        if self.alignment.places is not None:
            return self._dense(read(slice(None)), self.alignment.places(frame), matrix)
        return View(resample_rows(read, self.shape, matrix), covered(matrix, self.shape))

    def _dense(self, image: Floats, places: Coordinates, matrix: Matrix) -> View:
        """Resample pixel by pixel; what the frame does not show is continued by the matrix."""
        shown = inside(places[..., 0], places[..., 1], self.shape)
        filled = np.where(np.isnan(places), carried(matrix, self.shape), places)
        return View(resample_dense(image, filled), shown)

    def _locally_gained(self, frame: int, gain: Floats, *, grey: bool) -> View:
        """Apply a gain that varies over the reference picture."""
        view = self._aligned(self.stack.reader(frame), frame)
        at = [(np.arange(side) + 0.5) / self.stack.thumb_bin - 0.5 for side in self.shape]
        places = np.meshgrid(*at, indexing="ij")
        field = np.stack(
            [
                ndimage.map_coordinates(gain[..., channel], places, order=1, mode="nearest")
                for channel in range(3)
            ],
            axis=-1,
        )
        if self.stack.linear:
            image = view.image * field
        else:
            image = encode_srgb(decode_srgb(view.image) * field)
        return View(image @ LUMA if grey else image, view.covered)
