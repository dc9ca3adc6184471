"""Kept depth maps in millimetres, though the folder tells neither their unit nor their frames.

The scores do: of all that a map may mean, the right reading gives the scored errors again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt

from runners.contract import Result, depth_to_mm

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: How near a reading must come to both scores, mm: far above rounding, and far below what two
#: readings of one map lie apart.
_SAME_MM = 2e-6
#: Choices of more frames than this are too many to try.
_MOST_FRAMES = 18


@dataclass(frozen=True, slots=True, kw_only=True)
class DepthScore:
    """What a map's row says of its errors, mm."""

    rmse_mm: float
    bias_mm: float


def depth_in_mm(
    depth: Floats,
    *,
    planes_mm: Doubles,
    true_mm: Floats,
    judged: Bools,
    scored: DepthScore,
) -> Floats | None:
    """Return a depth map in millimetres, or None where no reading has its scores.

    Parameters
    ----------
    depth : array (rows, cols)
        In millimetres, or counted in frames that the method chose.
    planes_mm : array (frames,)
        z of each frame's plane of focus, in the view of the map.
    true_mm : array (rows, cols)
    judged : array (rows, cols) of bool
        Where the map was scored, if it has an answer there.
    scored : DepthScore
    """
    for unit, used in _readings(depth, planes_mm, true_mm, judged, scored):
        result = Result(image=np.empty(0), depth=depth, depth_unit=unit, used=used)
        read = depth_to_mm(result, planes_mm)
        assert read is not None
        apart = (read - true_mm)[judged & np.isfinite(read)].astype(float)
        if apart.size and _is(scored, square=np.mean(apart**2), bias=np.mean(apart)):
            return read
    return None


def _is(scored: DepthScore, *, square: Any, bias: Any) -> Bools:
    """Tell which errors, mean square and mean, are the scored ones."""
    rmse = np.sqrt(np.maximum(square, 0))
    same = np.abs(rmse - scored.rmse_mm) <= _SAME_MM
    return np.asarray(same & (np.abs(bias - scored.bias_mm) <= _SAME_MM))


def _readings(
    depth: Floats,
    planes_mm: Doubles,
    true_mm: Floats,
    judged: Bools,
    scored: DepthScore,
) -> Iterator[tuple[str, tuple[int, ...] | None]]:
    """Yield unit and frames: as they are, as shot, or some of them in order of depth."""
    yield "mm", None
    yield "frame", None
    known = judged & np.isfinite(depth)
    if known.any() and planes_mm.size <= _MOST_FRAMES:
        order = np.argsort(planes_mm, kind="stable")
        found = _chosen(depth[known], order, planes_mm, true_mm[known], scored)
        yield from (("frame", used) for used in found)


def _chosen(
    positions: Floats,
    order: npt.NDArray[np.intp],
    planes_mm: Doubles,
    true_mm: Floats,
    scored: DepthScore,
) -> Iterator[tuple[int, ...]]:
    """Yield the choices of frames, near or far first, that give the scores.

    A map between frames is linear in their planes z: with w_k the share of plane k at a pixel,
    the mean square error is z'Az - 2b'z + c, A the means of w_k w_l and b those of w_k t. So
    thousands of choices cost no more than one.
    """
    true = true_mm.astype(float)
    least = max(2, int(np.ceil(positions.max())))  # a position may lie a frame beyond the last
    for count in range(len(order), least - 1, -1):
        at = np.clip(positions.astype(float), 0, count - 1)
        low = np.minimum(at.astype(int), count - 2)
        part = at - low
        near, far = 1 - part, part

        def sums(index: npt.NDArray[np.int_], weight: Doubles, size: int = count) -> Doubles:
            return np.bincount(index, weight, minlength=size) / true.size

        between = sums(low, near * far)[:-1]
        square = np.diag(sums(low, near**2) + sums(low + 1, far**2))
        square += np.diag(between, 1) + np.diag(between, -1)
        mixed = sums(low, near * true) + sums(low + 1, far * true)
        mean = sums(low, near) + sums(low + 1, far)
        near_first = np.array(list(combinations(order, count)))
        for frames in (near_first, near_first[:, ::-1]):
            z = planes_mm[frames]
            error = np.einsum("ik,kl,il->i", z, square, z) - 2 * z @ mixed + np.mean(true**2)
            same = _is(scored, square=error, bias=z @ mean - true.mean())
            yield from (tuple(map(int, frames[row])) for row in np.flatnonzero(same))
