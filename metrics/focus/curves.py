"""How good a focus curve is: peak, range, false maxima, width and noise, and ranks over them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import astuple, dataclass, fields

import numpy as np
import numpy.typing as npt
from scipy.stats import rankdata

from ...ground.types import Doubles


@dataclass(frozen=True, slots=True)
class CurveCriteria:
    """Criteria of one focus curve; lengths are in frames.

    Parameters
    ----------
    accuracy : float
        Distance of the largest value from the true focus. Smaller is better.
    range : float
        Distance between the nearest local minima on either side of the peak. Larger is better.
    false_maxima : int
        Local maxima other than the peak. Fewer is better.
    width : float
        Width at half the height over the curve's minimum. Smaller is better.
    noise : float
        Sum of squares of the false maxima's heights over their higher neighbouring minimum, with
        the curve scaled to 0..1. Smaller is better.
    """

    accuracy: float
    range: float
    false_maxima: int
    width: float
    noise: float


LARGER_IS_BETTER = ("range",)


def curve_criteria(values: npt.ArrayLike, *, true_frame: float) -> CurveCriteria:
    """Judge a focus curve.

    Parameters
    ----------
    values : array_like (n,)
        Focus values of the frames, three or more, finite.
    true_frame : float
        Frame number of the true focus, possibly between frames.

    Raises
    ------
    ValueError
        The curve is too short or not finite.

    References
    ----------
    Firestone and others, Cytometry 12, 195 (1991); the noise after Pertuz, Puig and Garcia (2013).
    Neither prints formulas to the last detail; the definitions here are ours where they leave room.
    A level stretch counts as one point at its first frame. A flat curve has its peak at frame 0 and
    the whole sweep as its width.
    """
    curve = _scaled(values)
    peak = int(np.argmax(curve))
    maxima, minima = _extrema(curve)
    false = [m for m in maxima if curve[m] < 1.0 or (m != peak and curve[m] == 1.0)]
    before = max((m for m in minima if m < peak), default=0)
    after = min((m for m in minima if m > peak), default=len(curve) - 1)
    return CurveCriteria(
        accuracy=abs(peak - true_frame),
        range=float(after - before),
        false_maxima=len(false),
        width=_width(curve, peak),
        noise=float(sum(_height(curve, m, minima) ** 2 for m in false)),
    )


def _scaled(values: npt.ArrayLike) -> Doubles:
    curve = np.asarray(values, dtype=np.float64)
    if curve.ndim != 1 or curve.size < 3:
        raise ValueError(f"values must be a curve of three frames or more, got {curve.shape}")
    if not np.isfinite(curve).all():
        raise ValueError("values must be finite, got NaN or infinity")
    spread = np.ptp(curve)
    return (curve - curve.min()) / spread if spread > 0.0 else np.zeros_like(curve)


def _extrema(curve: Doubles) -> tuple[list[int], list[int]]:
    """Local maxima and minima, ends included, by the first frame of a level stretch."""
    starts = np.flatnonzero(np.concatenate([[True], np.diff(curve) != 0.0]))
    levels = curve[starts]
    if len(levels) == 1:
        return [], []
    rise = np.sign(np.diff(levels))
    left, right = np.append(-rise[0], rise), np.append(rise, -rise[-1])
    maxima, minima = starts[(left > 0) & (right < 0)], starts[(left < 0) & (right > 0)]
    return maxima.tolist(), minima.tolist()


def _height(curve: Doubles, place: int, minima: list[int]) -> float:
    """Height of a maximum over the higher of the minima beside it; at an end, over the one."""
    before = [curve[m] for m in minima if m < place][-1:]
    after = [curve[m] for m in minima if m > place][:1]
    return float(curve[place] - max(before + after, default=0.0))


def _width(curve: Doubles, peak: int) -> float:
    return _half_width(curve[peak:]) + _half_width(curve[peak::-1])


def _half_width(fall: Doubles) -> float:
    """Distance from the first value to where the curve first falls to a half; else to its end."""
    below = np.flatnonzero(fall <= 0.5)
    if below.size == 0 or fall[0] <= 0.5:
        return float(len(fall) - 1)
    frame = int(below[0])
    return frame - (0.5 - fall[frame]) / (fall[frame - 1] - fall[frame])


def rank_sums(curves: Mapping[str, CurveCriteria]) -> dict[str, float]:
    """Sum of each measure's ranks over all criteria; the smallest sum wins.

    Equals share the mean of their ranks.
    """
    names = list(curves)
    if not names:
        return {}
    table = np.array([astuple(curves[name]) for name in names], dtype=np.float64)
    for column, field in enumerate(fields(CurveCriteria)):
        if field.name in LARGER_IS_BETTER:
            table[:, column] *= -1.0
    totals = rankdata(table, axis=0).sum(axis=1)
    return dict(zip(names, totals.tolist(), strict=True))
