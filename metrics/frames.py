"""How well a choice of frames serves the depth that was wanted."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..ground.types import Doubles
from .record import Metric


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameChoice:
    """Score of a choice of frames.

    Parameters
    ----------
    covered_share : float
        Share of the wanted depth inside the depth of field of a chosen frame, 0..1.
    largest_gap_mm : float
        Longest stretch of wanted depth that no chosen frame shows sharp, mm.
    redundancy : float
        Frames that show a covered depth sharp, on average, less the one it takes; 0 is none.
    needed : int
        Fewest of the chosen frames that cover the same depth.
    wasted_share : float
        Share of the chosen frames that could be left out without loss.
    """

    covered_share: float
    largest_gap_mm: float
    redundancy: float
    needed: int
    wasted_share: float


def score_frames(
    focus_mm: npt.ArrayLike, *, dof_mm: float, near_mm: float, far_mm: float
) -> FrameChoice:
    """Score chosen frames by their true planes of focus.

    Parameters
    ----------
    focus_mm : array_like
        Shape (frames,): z of the plane of focus of each chosen frame, in any order, mm. May be
        empty.
    dof_mm : float
        Total depth of field of one frame, half on each side of its plane of focus, mm.
    near_mm, far_mm : float
        The wanted depth, near_mm < far_mm.

    Returns
    -------
    FrameChoice
        With no frames, nothing is covered; redundancy and the wasted share are NaN where nothing
        is covered or chosen.

    Raises
    ------
    ValueError
        A plane that is not finite, a depth of field or a wanted depth that is not positive.
    """
    planes = np.sort(np.asarray(focus_mm, dtype=np.float64))
    if planes.ndim != 1 or not np.isfinite(planes).all():
        raise ValueError(f"focus_mm must be a finite list of planes, got shape {planes.shape}")
    if not (dof_mm > 0 and math.isfinite(dof_mm)):
        raise ValueError(f"dof_mm must be positive and finite, got {dof_mm!r}")
    if not near_mm < far_mm:
        raise ValueError(f"near_mm must be less than far_mm, got {near_mm!r} and {far_mm!r}")
    starts = np.clip(planes - 0.5 * dof_mm, near_mm, far_mm)
    ends = np.clip(planes + 0.5 * dof_mm, near_mm, far_mm)
    gaps = _gaps(starts, ends, near_mm, far_mm)
    wanted, shown = far_mm - near_mm, float((ends - starts).sum())
    covered = max(0.0, wanted - float(gaps.sum()))
    needed = _fewest(starts, ends, slack=1e-9 * dof_mm)
    return FrameChoice(
        covered_share=covered / wanted,
        largest_gap_mm=float(gaps.max()),
        redundancy=shown / covered - 1.0 if covered > 0 else math.nan,
        needed=needed,
        wasted_share=1.0 - needed / planes.size if planes.size else math.nan,
    )


def covered_share(
    focus_mm: npt.ArrayLike, *, dof_mm: float, near_mm: float, far_mm: float
) -> float:
    """Share of the wanted depth that some chosen frame shows sharp; see `score_frames`.

    Examples
    --------
    >>> round(covered_share([0.0, 0.3, 0.9], dof_mm=0.3, near_mm=0.0, far_mm=1.0), 2)
    0.7
    """
    return score_frames(focus_mm, dof_mm=dof_mm, near_mm=near_mm, far_mm=far_mm).covered_share


def largest_gap_mm(
    focus_mm: npt.ArrayLike, *, dof_mm: float, near_mm: float, far_mm: float
) -> float:
    """Longest stretch of wanted depth that no chosen frame shows sharp; see `score_frames`.

    Examples
    --------
    >>> round(largest_gap_mm([0.0, 0.3, 0.9], dof_mm=0.3, near_mm=0.0, far_mm=1.0), 2)
    0.3
    """
    return score_frames(focus_mm, dof_mm=dof_mm, near_mm=near_mm, far_mm=far_mm).largest_gap_mm


def redundancy(focus_mm: npt.ArrayLike, *, dof_mm: float, near_mm: float, far_mm: float) -> float:
    """Frames on average beyond the one that a covered depth takes; see `score_frames`.

    Examples
    --------
    >>> round(redundancy([0.0, 0.0, 0.3], dof_mm=0.3, near_mm=0.0, far_mm=0.4), 2)
    0.38
    """
    return score_frames(focus_mm, dof_mm=dof_mm, near_mm=near_mm, far_mm=far_mm).redundancy


def wasted_share(focus_mm: npt.ArrayLike, *, dof_mm: float, near_mm: float, far_mm: float) -> float:
    """Share of chosen frames that could be left out without loss; see `score_frames`.

    Examples
    --------
    >>> round(wasted_share([0.1, 0.1, 0.4], dof_mm=0.3, near_mm=0.0, far_mm=0.5), 2)
    0.33
    """
    return score_frames(focus_mm, dof_mm=dof_mm, near_mm=near_mm, far_mm=far_mm).wasted_share


def _gaps(starts: Doubles, ends: Doubles, near_mm: float, far_mm: float) -> Doubles:
    """Lengths not covered, in order: before the first frame, between frames, after the last."""
    reached = np.concatenate([[near_mm], ends])
    following = np.concatenate([starts, [far_mm]])
    return np.maximum(following - reached, 0.0)


def _fewest(starts: Doubles, ends: Doubles, *, slack: float) -> int:
    """Fewest intervals with the same union: always the one that reaches farthest without a gap."""
    useful = ends > starts + slack
    starts, ends = starts[useful], ends[useful]
    count, reached, here = 0, -math.inf, 0
    while here < starts.size:
        if starts[here] > reached + slack:  # a gap: go on from the next interval's start
            reached = float(starts[here])
        farthest = reached
        while here < starts.size and starts[here] <= reached + slack:
            farthest = max(farthest, float(ends[here]))
            here += 1
        if farthest > reached + slack:
            count, reached = count + 1, farthest
    return count


_NEEDS = ("dof_mm", "near_mm", "far_mm")

METRICS = (
    Metric(
        name="covered_share",
        title="wanted depth covered",
        group="frames",
        direction="higher",
        best=1.0,
        range=(0.0, 1.0),
        function=covered_share,
        needs=_NEEDS,
        reference="ours",
    ),
    Metric(
        name="largest_gap_mm",
        title="largest gap",
        group="frames",
        unit="mm",
        direction="lower",
        best=0.0,
        range=(0.0, math.inf),
        function=largest_gap_mm,
        needs=_NEEDS,
        reference="ours",
    ),
    Metric(
        name="redundancy",
        title="frames beyond need",
        group="frames",
        direction="lower",
        best=0.0,
        range=(0.0, math.inf),
        function=redundancy,
        needs=_NEEDS,
        reference="ours",
        undefined="no wanted depth is covered",
    ),
    Metric(
        name="wasted_share",
        title="frames wasted",
        group="frames",
        direction="lower",
        best=0.0,
        range=(0.0, 1.0),
        function=wasted_share,
        needs=_NEEDS,
        reference="ours",
        undefined="no frame was chosen",
    ),
)
