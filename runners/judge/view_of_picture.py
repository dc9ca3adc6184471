"""Which frame's view a finished picture is in, when its maker has not said so."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ...ground.srgb import LUMA
from ...ground.types import Floats
from ...metrics.image.pair import high_band
from ..methods.picture.tone import to_float

#: Share of a frame's pixels that are compared: those with most fine detail, which is in focus.
_SHARPEST = 0.1


def likely_view(picture: npt.NDArray, frames: Sequence[npt.NDArray]) -> int | None:
    """Find the frame whose sharp parts a merged picture shows in their places.

    What a frame shows in focus is in the merged picture, too. In the view of that frame it lies
    in the same place; hands, and the perspective that changes as the camera comes nearer, shift
    the detail of all other frames.

    Parameters
    ----------
    picture : array (rows, cols, 3)
        As a file holds it: integers, or floats with 1 for white.
    frames : sequence of arrays (rows, cols, 3)
        May be lazy; each is looked at once.

    Returns
    -------
    int or None
        Number of the frame; None where the picture has another shape or no detail. It may be
        wrong for a frame with nothing in focus, and between frames that stand almost alike.
    """
    detail = _detail(picture)
    alike = [
        _likeness(detail, _detail(frame)) if frame.shape == picture.shape else -np.inf
        for frame in frames
    ]
    best = int(np.argmax(alike))
    return best if alike[best] > 0 else None


def _detail(picture: npt.NDArray) -> Floats:
    return high_band((to_float(picture, linear=True) @ LUMA).astype(np.float32))


def _likeness(detail: Floats, frame: Floats) -> float:
    """Correlate a picture's detail with a frame's where the frame has most."""
    strength = np.abs(frame)
    sharp = strength >= np.quantile(strength, 1 - _SHARPEST)
    ours, theirs = detail[sharp], frame[sharp]
    power = float(np.linalg.norm(ours) * np.linalg.norm(theirs))
    return float(ours @ theirs) / power if power > 0 else 0.0
