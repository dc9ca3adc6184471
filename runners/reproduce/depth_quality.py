"""Depth from a focus sequence by one operator, its error, and the relative quality Q_r."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ...ground.types import Bools, Doubles, Floats
from ...metrics.focus import MEASURES
from ...metrics.focus.peak import find_peak


def depth_of(
    frames: Floats,
    focus_mm: Doubles,
    code: str,
    *,
    window: int = 9,
    stride: int = 1,
    kind: str = "gaussian",
    options: Mapping[str, int] | None = None,
) -> Doubles:
    """Depth map from the peak of an operator, without any smoothing.

    Parameters
    ----------
    frames : array (n, rows, cols)
    focus_mm : array (n,)
        Where each frame is focused; positions between frames are interpolated.
    code : str
        Key of `metrics.focus.MEASURES`.
    window : int
    stride : int
        Frames between the three samples of the peak fit.
    kind : {"gaussian", "parabola", "argmax"}
    options : mapping, optional
        Of the operator.
    """
    maps = MEASURES[code].stream(frames, window, **(options or {}))
    position = find_peak(maps, kind=kind, stride=stride).position
    return np.interp(position, np.arange(len(focus_mm)), focus_mm)


def rmse_mm(
    depth_mm: Doubles,
    truth_mm: Doubles,
    mask: Bools | None = None,
) -> float:
    """Root mean square error over the pixels of a mask, or over all."""
    error = depth_mm - truth_mm
    chosen = error if mask is None else error[mask]
    return float(np.sqrt(np.mean(np.square(chosen, dtype=np.float64))))


def relative_quality(rmse: Mapping[str, float]) -> dict[str, float]:
    """Smallest error over each operator's: 1 for the best, P13's Q_r."""
    best = min(rmse.values())
    return {code: best / value for code, value in rmse.items()}
