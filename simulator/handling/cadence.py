"""When the camera fires: frames per second, until the buffer is full."""

from __future__ import annotations

from pydantic import Field
from pydantic.dataclasses import dataclass

from ..rig import STRICT


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Cadence:
    """How fast the camera asks for frames; a flash that is not ready can make it wait.

    Parameters
    ----------
    frames_per_s : float
        Burst rate.
    buffer_frames : int or None
        Frames at the burst rate before the buffer is full; None never fills.
    slow_frames_per_s : float
        Rate once the buffer is full.
    readout_s : float
        Time from the first row read to the last of an electronic shutter; 0 reads all rows at
        once.
    """

    frames_per_s: float = Field(default=10.0, gt=0)
    buffer_frames: int | None = Field(default=None, ge=1)
    slow_frames_per_s: float = Field(default=1.0, gt=0)
    readout_s: float = Field(default=0.0, ge=0)


def interval_s(cadence: Cadence, frame: int) -> float:
    """Return the shortest time from a frame to the next one, s."""
    if cadence.buffer_frames is not None and frame + 1 >= cadence.buffer_frames:
        return 1.0 / min(cadence.slow_frames_per_s, cadence.frames_per_s)
    return 1.0 / cadence.frames_per_s
