"""Where a focus curve peaks, between the frames: argmax, Gaussian and parabola through three.

The three samples lie `stride` frames apart. Fine sweeps want a stride above 1: a step of 1 to
1.25 widths of the focus curve between the samples is best against noise.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ...ground.types import Reals

KINDS = ("argmax", "gaussian", "parabola")


class Peak(NamedTuple):
    """Peak of each pixel's focus curve: position in frames, sampled height, nearest frame."""

    position: Reals
    height: Reals
    frame: npt.NDArray[np.int32]


def parabola_offset(before: npt.ArrayLike, middle: npt.ArrayLike, after: npt.ArrayLike) -> Reals:
    """Vertex of the parabola through three equally spaced samples.

    Parameters
    ----------
    before, middle, after : array_like
        Focus values; the middle one is commonly the largest.

    Returns
    -------
    array
        Offset from the middle sample in sample distances: within -1/2..1/2 where the middle
        sample is the largest. 0 where the three lie on a line or a hollow, or one is NaN.

    Examples
    --------
    >>> float(parabola_offset(1.0, 3.0, 2.0).round(3))
    0.167
    """
    low, mid, high = (_as_float(x) for x in (before, middle, after))
    curvature = 2.0 * mid - low - high
    slope = np.broadcast_to(0.5 * (high - low), curvature.shape)
    return np.divide(slope, curvature, out=np.zeros_like(curvature), where=curvature > 0.0)


def gaussian_offset(before: npt.ArrayLike, middle: npt.ArrayLike, after: npt.ArrayLike) -> Reals:
    """Peak of the Gaussian through three equally spaced samples: a parabola in the logarithm.

    As `parabola_offset`; also 0 where a sample is not positive.

    References
    ----------
    Nayar and Nakagawa, IEEE Trans. Pattern Analysis and Machine Intelligence 16, 824 (1994).

    Examples
    --------
    >>> float(gaussian_offset(np.exp(-0.5), 1.0, np.exp(-0.5)).round(3))
    0.0
    """
    return parabola_offset(_log(before), _log(middle), _log(after))


def find_peak(maps: Iterable[npt.ArrayLike], *, kind: str = "gaussian", stride: int = 1) -> Peak:
    """Find the peak of each pixel's focus curve from maps that come one at a time.

    Only the best value, its neighbours and the last `stride` maps are held, so that the memory
    does not grow with the number of frames.

    Parameters
    ----------
    maps : iterable of array
        Focus maps of one shape, in the order of the sweep; an (n, ...) array will do. NaN never
        wins; where every map is NaN, so are position and height.
    kind : {"argmax", "gaussian", "parabola"}
    stride : int
        Distance of the three samples in frames, >= 1.

    Raises
    ------
    ValueError
        `kind` or `stride` is not allowed, there is no map, or the maps differ in shape.

    Examples
    --------
    >>> curve = np.exp(-0.5 * (np.arange(7) - 3.25) ** 2)
    >>> peak = find_peak(curve[:, None, None])
    >>> int(peak.frame[0, 0]), round(float(peak.position[0, 0]), 3)
    (3, 3.25)
    """
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {', '.join(KINDS)}, got {kind!r}")
    if stride < 1:
        raise ValueError(f"stride must be a whole number of frames >= 1, got {stride}")
    search: _Search | None = None
    for number, values in enumerate(maps):
        current = _as_float(values)
        if search is None:
            search = _Search(current, stride)
        else:
            search.add(current, number)
    if search is None:
        raise ValueError("no focus map given, at least one is needed")
    return search.result(kind)


class _Search:
    """The best value so far of every pixel, with the samples `stride` frames either side."""

    def __init__(self, first: Reals, stride: int) -> None:
        self.stride = stride
        self.best = np.where(np.isnan(first), -np.inf, first).astype(first.dtype, copy=False)
        self.frame = np.zeros(first.shape, dtype=np.int32)
        self.before = np.full_like(self.best, np.nan)
        self.after = np.full_like(self.best, np.nan)
        self.past: deque[Reals] = deque([first.copy()], maxlen=stride)

    def add(self, current: Reals, number: int) -> None:
        if current.shape != self.best.shape:
            raise ValueError(
                f"focus map {number} has shape {current.shape}, the first has {self.best.shape}"
            )
        waiting = self.frame == number - self.stride
        np.copyto(self.after, current, where=waiting)
        higher = current > self.best
        np.copyto(self.best, current, where=higher)
        self.frame[higher] = number
        earlier = self.past[0] if len(self.past) == self.stride else np.nan
        np.copyto(self.before, earlier, where=higher)
        np.copyto(self.after, np.nan, where=higher)
        self.past.append(current.copy())

    def result(self, kind: str) -> Peak:
        self.best[np.isneginf(self.best)] = np.nan
        position = np.where(np.isnan(self.best), np.nan, self.frame).astype(self.best.dtype)
        if kind != "argmax":
            find = gaussian_offset if kind == "gaussian" else parabola_offset
            offset = np.clip(find(self.before, self.best, self.after), -0.5, 0.5)
            position = position + self.stride * offset
        return Peak(position, self.best, self.frame)


def _as_float(values: npt.ArrayLike) -> Reals:
    array = np.asarray(values)
    return array if array.dtype in (np.float32, np.float64) else array.astype(np.float64)


def _log(values: npt.ArrayLike) -> Reals:
    """Logarithm, NaN where a value is not positive."""
    array = _as_float(values)
    return np.log(array, out=np.full_like(array, np.nan), where=array > 0.0)
