"""What is found of each frame of a burst."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from ...ground.types import Bools, Doubles, Indices
from ..calibrate.burst import Burst
from ..methods.picture.stack import InputStack
from .exposure import LightLevels
from .focus_fit import FocusFit, Seen
from .gaps import DEVIATIONS, SHARP, UNTOLD, HeldParts
from .keep import frames_to_keep, shows_sharp
from .smear import MotionBlur

#: Frames whose planes of focus are no farther apart, over the depth that one frame holds, show
#: the same depth.
_SAME_DEPTH = 0.1

FrameState = Literal["ok", "dark", "black", "smeared", "not matched"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameReview:
    """What is found of one frame.

    Parameters
    ----------
    name : str
        Of its file.
    stops : float
        Light over that of the median frame.
    clipped : float
        Share of the picture that is white.
    settings : str
        What the camera wrote, such as ``1/125 s f/8 ISO 100``.
    state : {"ok", "dark", "black", "smeared", "not matched"}
        Only a frame that is ok counts.
    place : int or None
        In order of depth, from 1, near first.
    focus_mm, focus_error_mm : float or None
        Plane of focus, from that of the reference frame, and half its 95 % interval.
    smear_px : float or None
        Motion blur, px of the frame: length of the path during the exposure.
    smear_degrees : float or None
        Its direction, from the right, downward.
    sharp_share : float
        Of the parts that are sharp in some frame, the share that this one shows as sharp as any.
    keep : bool
        Whether it belongs to the few that lose nothing.
    same_as : str or None
        An earlier frame that is the same file, or shows the same depth.
    copy : bool
        Whether `same_as` is the very same picture.
    """

    name: str
    stops: float
    clipped: float
    settings: str
    state: FrameState
    place: int | None
    focus_mm: float | None
    focus_error_mm: float | None
    smear_px: float | None
    smear_degrees: float | None
    sharp_share: float
    keep: bool
    same_as: str | None
    copy: bool


@dataclass(frozen=True, eq=False, kw_only=True)
class Measured:
    """All frames that lie on each other, in the geometry of one of them.

    Parameters
    ----------
    used : array (frames,) of int
        Their places in the burst.
    seen : Seen
    directions : array (frames, directions, cells)
        Energy of slopes.
    white : array (cells,)
        Least share of white in any frame.
    """

    used: Indices
    seen: Seen
    directions: Doubles
    white: Doubles


def frame_reviews(
    stack: InputStack,
    burst: Burst,
    *,
    levels: LightLevels,
    measured: Measured,
    fit: FocusFit,
    blur: MotionBlur,
    held: HeldParts,
    steady: Bools,
    lane_mm: float,
    working_px: int,
) -> tuple[FrameReview, ...]:
    """Return what is found of each frame, in the order of shooting.

    Parameters
    ----------
    stack, burst
        The frames.
    levels, measured, fit, blur, held
        What was found of all of them.
    steady : array (frames that were measured,) of bool
        Those without motion blur that counts.
    lane_mm : float
        Depth that one frame holds.
    working_px : int
        Pixels to a working pixel.
    """
    keep, share = _worth_keeping(measured.seen, held, steady)
    places = np.argsort(np.argsort(fit.frame_mm, kind="stable")) + 1
    names = [path.name for path in burst.paths] or [f"frame {one}" for one in range(len(stack))]
    same = _same(stack, measured.used, fit, lane_mm)
    row_of = {frame: row for row, frame in enumerate(measured.used.tolist())}

    def found(frame: int) -> FrameReview:
        row = row_of.get(frame)
        earlier, copy = same.get(frame, (None, False))
        seen = row is not None
        return FrameReview(
            name=names[frame],
            stops=float(levels.stops[frame]),
            clipped=float(levels.clipped[frame]),
            settings=levels.settings[frame],
            state=_state(levels, frame, steady=None if row is None else bool(steady[row])),
            place=int(places[row]) if seen else None,
            focus_mm=_number(fit.frame_mm, row),
            focus_error_mm=_number(DEVIATIONS * fit.frame_error_mm, row),
            smear_px=_number(blur.length * working_px, row),
            smear_degrees=_number(blur.direction, row),
            sharp_share=_number(share, row) or 0.0,
            keep=seen and bool(keep[row]),
            same_as=None if earlier is None else names[earlier],
            copy=copy,
        )

    return tuple(found(frame) for frame in range(len(stack)))


def _worth_keeping(seen: Seen, held: HeldParts, steady: Bools) -> tuple[Bools, Doubles]:
    """Return which frames to keep, and how much of what is sharp each shows as sharp as any."""
    shown = shows_sharp(seen.energy[:, 0], seen.noise[:, 0], steady)
    worth = held.state == SHARP
    share = shown[:, worth].mean(axis=1) if worth.any() else np.zeros(len(shown))
    return frames_to_keep(shown, held.state != UNTOLD), share


def _number(values: Doubles, row: int | None) -> float | None:
    return None if row is None or not np.isfinite(values[row]) else float(values[row])


def _state(levels: LightLevels, frame: int, *, steady: bool | None) -> FrameState:
    if levels.black[frame]:
        return "black"
    if levels.dark[frame]:
        return "dark"
    if steady is None:
        return "not matched"
    return "ok" if steady else "smeared"


def _same(
    stack: InputStack, used: Indices, fit: FocusFit, lane_mm: float
) -> dict[int, tuple[int, bool]]:
    """Return an earlier frame that shows the same, and whether it is the same picture."""
    plane = dict(zip(used.tolist(), fit.frame_mm.tolist(), strict=True))
    found: dict[int, tuple[int, bool]] = {}
    for frame in range(len(stack)):
        light = stack.small(frame).light
        for earlier in range(frame):
            if np.array_equal(light, stack.small(earlier).light):
                found[frame] = earlier, True
                break
            near = abs(plane.get(frame, np.inf) - plane.get(earlier, -np.inf))
            if near < _SAME_DEPTH * lane_mm and frame not in found:
                found[frame] = earlier, False
    return found
