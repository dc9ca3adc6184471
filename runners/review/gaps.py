"""Which parts of the picture no frame shows sharp, and which depths those are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from ...ground.types import Bools, Doubles
from ...simulator.optics import DepthOfField
from .focus_fit import FocusFit

#: States of a cell.
UNTOLD, SHARP, GAP, BEFORE, BEHIND = range(5)
#: A cell is never sharp if that is this likely, and sharp somewhere if it is no likelier than that.
_SURELY, _HARDLY = 0.8, 0.3
#: Cells that are less likely than this to lie in a gap do not speak for it.
_RATHER = 0.4
#: A gap counts if so large a share of the cells that tell anything is expected in it, and so many.
_LEAST_SHARE, _LEAST_CELLS = 0.02, 4
#: Error of a distance between two planes of focus, as a share of it (standard deviation; rendered
#: bursts): what is sharp rules the scale of a picture, and that changes on the way.
_SCALE_ERROR = 0.05
#: Two standard deviations to either side: 95 % of a normal error.
DEVIATIONS = 1.96


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Depths that no frame holds, and in which part of the subject lies.

    Parameters
    ----------
    before, behind : int or None
        Frames at its near and at its far end, by their places among those that were measured;
        None beyond the first or the last plane of focus.
    near_mm, far_mm : float
        Where it begins and ends, from the plane of focus of the reference frame.
    error_mm : float
        Half the 95 % interval of its size.
    share : float
        Of the picture that is expected to lie in it, among the parts with texture enough.
    """

    before: int | None
    behind: int | None
    near_mm: float
    far_mm: float
    error_mm: float
    share: float

    @property
    def inner(self) -> bool:
        """Whether it lies between two planes of focus."""
        return self.before is not None and self.behind is not None

    @property
    def size_mm(self) -> float:
        """How much depth is missing, mm."""
        return max(self.far_mm - self.near_mm, 0.0)


@dataclass(frozen=True, eq=False, kw_only=True)
class HeldParts:
    """What the frames hold sharp.

    Parameters
    ----------
    state : array (cells,) of int
        `UNTOLD`, `SHARP`, `GAP` (between frames), `BEFORE` the nearest or `BEHIND` the farthest.
    chance_never : array (cells,)
        That no frame shows the cell sharp; NaN where nothing can be told.
    gaps : tuple of Gap
        Near ones first.
    """

    state: npt.NDArray[np.int8]
    chance_never: Doubles
    gaps: tuple[Gap, ...]


def held_by(fit: FocusFit, counts: Bools, lane: DepthOfField, *, untold: Bools) -> HeldParts:
    """Say what the frames that count hold, and what not.

    Parameters
    ----------
    fit : FocusFit
    counts : array (frames,) of bool
        Frames that are neither dark nor smeared.
    lane : DepthOfField
        That one frame holds.
    untold : array (cells,) of bool
        Cells that are not to be judged, whatever the fit says: they move, or they are white.
    """
    if not counts.any():  # all are smeared: where they would be sharp, none is
        return HeldParts(
            state=np.full(len(untold), UNTOLD, dtype=np.int8),
            chance_never=np.full(len(untold), np.nan),
            gaps=(),
        )
    planes, errors = fit.frame_mm[counts], fit.frame_error_mm[counts]
    offsets = fit.depths_mm[:, np.newaxis] - planes
    shown = ndtr((lane.far_mm - offsets) / errors) * ndtr((offsets + lane.near_mm) / errors)
    never = (1 - shown.max(axis=1)) @ fit.chance
    told = fit.told & ~untold
    cell_mm = fit.cell_mm
    state = np.full(len(never), UNTOLD, dtype=np.int8)
    state[told & (never <= _HARDLY)] = SHARP
    surely = told & (never >= _SURELY)
    state[surely] = GAP
    state[surely & (cell_mm < planes.min())] = BEFORE
    state[surely & (cell_mm > planes.max())] = BEHIND
    return HeldParts(
        state=state,
        chance_never=np.where(told, never, np.nan),
        gaps=_gaps(fit, counts, lane, np.where(told & (never >= _RATHER), never, 0.0), told),
    )


def _gaps(
    fit: FocusFit, counts: Bools, lane: DepthOfField, never: Doubles, told: Bools
) -> tuple[Gap, ...]:
    """Return the gaps before, between and behind the planes of focus in which enough lies."""
    frames = np.flatnonzero(counts)
    frames = frames[np.argsort(fit.frame_mm[frames], kind="stable")]
    planes = [-np.inf, *fit.frame_mm[frames], np.inf]
    cell_mm = fit.cell_mm
    least = max(_LEAST_CELLS, _LEAST_SHARE * int(told.sum()))
    found = []
    for place in range(len(planes) - 1):
        near, far = planes[place : place + 2]
        within = (never > 0) & (cell_mm > near) & (cell_mm <= far)
        expected = float(never[within].sum())
        if expected < least or far - near < lane.total_mm:
            continue
        before = int(frames[place - 1]) if place > 0 else None
        behind = int(frames[place]) if place < len(frames) else None
        ends = [frame for frame in (before, behind) if frame is not None]
        inner = len(ends) == 2
        error = np.hypot.reduce(fit.frame_error_mm[ends])
        first, last = np.quantile(cell_mm[within], [0.05, 0.95])
        found.append(
            Gap(
                before=before,
                behind=behind,
                near_mm=float(first if before is None else near + lane.far_mm),
                far_mm=float(last if behind is None else far - lane.near_mm),
                error_mm=float(
                    DEVIATIONS * np.hypot(error, _SCALE_ERROR * (far - near) if inner else 0.0)
                ),
                share=expected / int(told.sum()),
            )
        )
    return tuple(found)
