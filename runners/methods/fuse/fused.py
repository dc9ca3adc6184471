"""What a fuse stage makes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ....ground.types import Floats
from ..align.aligned import AlignedFrames


@dataclass(frozen=True, eq=False, slots=True)
class Fused:
    """A merged picture and, from a method that chooses, where each pixel came from.

    Parameters
    ----------
    image : array (rows, cols, 3) of float32
        In the frames' own encoding, 1.0 = white.
    position : array (rows, cols) of float32, optional
        Position in the order of depth, fractional between neighbours.
    """

    image: Floats
    position: Floats | None = None


FuseStage = Callable[[AlignedFrames], Fused]
DepthStage = Callable[[AlignedFrames, Fused], Floats | None]
