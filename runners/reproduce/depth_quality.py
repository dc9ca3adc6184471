"""Depth from a focus sequence by one operator, its error, and the relative quality Q_r."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ...ground.types import Bools, Doubles, Floats
from ...metrics.focus import MEASURES
from ...metrics.focus.peak import find_peak

#: The slow STA2 is worked out on every eighth pixel each way.
_SLOW_EVERY = 8


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


def operator_rmse_mm(
    frames: Floats,
    focus_mm: Doubles,
    truth_mm: Doubles,
    code: str,
    *,
    window: int,
    stride: int = 1,
    mask: Bools | None = None,
) -> float:
    """Root mean square error of the depth by an operator; of the slow STA2 on a coarse grid.

    Parameters
    ----------
    frames, focus_mm, code, window, stride
        As for `depth_of`.
    truth_mm : array (rows, cols)
    mask : array (rows, cols) of bool, optional
        Pixels that count; None counts all.
    """
    every = _SLOW_EVERY if code == "sta2" else 1
    options = {"every": every} if every > 1 else {}
    depth = depth_of(frames, focus_mm, code, window=window, stride=stride, options=options)
    grid = (slice(None, None, every),) * 2
    return rmse_mm(depth[grid], truth_mm[grid], None if mask is None else mask[grid])


def relative_quality(rmse: Mapping[str, float]) -> dict[str, float]:
    """Smallest error over each operator's: 1 for the best, P13's Q_r."""
    best = min(rmse.values())
    return {code: best / value for code, value in rmse.items()}
