"""True stages: stages that are given the truth, so that a loss can be traced to one stage.

A method with a true stage is asked for by name: ``laplacian-pyramid+true-warp`` aligns by the true
displacement of every pixel, and by how much it loses less than ``laplacian-pyramid`` the alignment
costs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from ...ground.types import Doubles
from .align.align import Alignment
from .align.aligned import AlignedFrames
from .fuse.fused import Fused
from .picture.geometry import Coordinates
from .picture.stack import InputStack


class GivenTruth(Protocol):
    """What a stack's truth gives to true stages. Frames are indices into the whole stack."""

    @property
    def reference(self) -> int:
        """Frame whose geometry the true result has."""
        ...

    def frame_choice(self) -> Sequence[int]:
        """Return the usable frames in order of depth, near first."""
        ...

    def warp(self, frame: int) -> Coordinates:
        """Return (row, column) in the frame of what each reference pixel shows.

        Shape (rows, cols, 2), float32, array indices (the first pixel's centre is (0, 0)); NaN
        where the frame does not show it.
        """
        ...

    def focus_map(self) -> npt.NDArray[np.integer]:
        """Return the frame (rows, cols) in which each reference pixel is sharpest; -1: none."""
        ...


@dataclass(frozen=True)
class TrueChoice:
    """Select stage: the frames that are truly usable."""

    truth: GivenTruth

    def __call__(self, stack: InputStack) -> tuple[int, ...]:
        """Return them in order of depth."""
        return tuple(int(frame) for frame in self.truth.frame_choice())


@dataclass(frozen=True)
class TrueWarp:
    """Align stage: the true place of every pixel in every frame."""

    truth: GivenTruth

    def __call__(
        self, stack: InputStack, frames: Sequence[int], *, reference: int | None = None
    ) -> Alignment:
        """Return the frames in their true order, with dense places in the truth's own view."""
        chosen = set(frames)
        used = tuple(int(frame) for frame in self.truth.frame_choice() if frame in chosen)
        used += tuple(frame for frame in frames if frame not in used)
        matrices = {frame: fitted_affine(self.truth.warp(frame)) for frame in used}
        return Alignment(
            reference=self.truth.reference, used=used, matrices=matrices, places=self.truth.warp
        )


@dataclass(frozen=True)
class TrueMap:
    """Fuse stage: each pixel from the frame in which it is truly sharpest."""

    truth: GivenTruth

    def __call__(self, aligned: AlignedFrames) -> Fused:
        """Take pixels by the true focus map; where that says nothing, from the reference."""
        used = np.array(aligned.alignment.used)
        wanted = self.truth.focus_map()
        lookup = np.full(max(int(wanted.max()), int(used.max())) + 2, -1)
        lookup[used] = np.arange(used.size)
        position = lookup[wanted]
        known = np.where(position >= 0, position, np.nan).astype(np.float32)
        return Fused(aligned.taken(position), known)


def fitted_affine(places: Coordinates) -> Doubles:
    """Return the affine transform nearest to a dense one, for measuring on small copies."""
    rows, columns = np.nonzero(np.isfinite(places).all(axis=2))
    if rows.size < 100:
        return np.eye(3)
    step = max(1, rows.size // 5000)
    rows, columns = rows[::step], columns[::step]
    known = np.stack([columns, rows, np.ones_like(rows)], axis=1).astype(float)
    seen = places[rows, columns][:, ::-1].astype(float)
    matrix = np.eye(3)
    matrix[:2] = np.linalg.lstsq(known, seen, rcond=None)[0].T
    return matrix
