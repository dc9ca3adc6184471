"""What one way of shooting promises: chances and shares over many drawn passes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil

import numpy as np
import numpy.typing as npt
from scipy.special import betaincinv

from ....ground.types import Doubles
from ....simulator.handling.approach import Approach, cover
from ....simulator.shooting.shoot import USABLE_GAIN_STOPS, USABLE_SMEAR_PX
from .coverage import Coverage, cover_depth, needed_frames
from .passes import Passes
from .setting import Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A way of shooting: so many passes of so many frames, each laid like this.

    Parameters
    ----------
    passes, frames : int
        Passes, and frames in each.
    approach : Approach
        z = 0 is the nearest point wanted, positive is farther from the camera.
    """

    passes: int
    frames: int
    approach: Approach

    @property
    def total_frames(self) -> int:
        """Frames of all passes together."""
        return self.passes * self.frames


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What to expect of a way of shooting.

    Parameters
    ----------
    way : Way
    duration_s : float
        Of one pass, with all waiting for the flash.
    step_mm : float
        Mean intended step from frame to frame.
    step_share : float
        The same over the depth that one frame holds.
    speed_mm_per_s : float
        Mean intended speed.
    start_before_mm, end_behind_mm : float
        How far the plane of focus starts before the nearest and ends behind the farthest point.
    chance : float
        Of covering the whole depth without a gap.
    chance_interval : (low, high)
        95 % interval of the chance, for the number of drawn passes.
    share : float
        Expected share of the depth covered.
    share_low : float
        Share that 95 of 100 tries exceed.
    gap_mm : float
        Mean of the largest gap.
    gap_high_mm : float
        Largest gap that 95 of 100 tries stay below.
    wasted_share : float
        Share of the frames that could be left out without loss.
    smeared_share, dark_share, strayed_share : float
        Share of the frames lost to motion blur, for want of light, and because the subject's
        middle has left the picture.
    wander_mm : float
        How far the picture wanders sideways in a pass from where it was framed: 95 % stay below.
    tries : int
        Number of drawn tries behind the numbers.
    """

    way: Way
    duration_s: float
    step_mm: float
    step_share: float
    speed_mm_per_s: float
    start_before_mm: float
    end_behind_mm: float
    chance: float
    chance_interval: tuple[float, float]
    share: float
    share_low: float
    gap_mm: float
    gap_high_mm: float
    wasted_share: float
    smeared_share: float
    dark_share: float
    strayed_share: float
    wander_mm: float
    tries: int


def coverage_of(setting: Setting, drawn: Passes, way: Way) -> Coverage:
    """Return what every try of a way covers; a try takes as many drawn passes as the way has."""
    planes, usable = tries_of(drawn, way)
    return cover_depth(planes, usable, lane=setting.lane, near_mm=0.0, far_mm=setting.depth_mm)


def forecast(setting: Setting, drawn: Passes, way: Way) -> Forecast:
    """Return what to expect of a way of shooting.

    Parameters
    ----------
    setting : Setting
    drawn : Passes
        Of this setting, with at least as many frames as the way has.
    way : Way
    """
    planes, usable = tries_of(drawn, way)
    lane, depth_mm = setting.lane, setting.depth_mm
    found = cover_depth(planes, usable, lane=lane, near_mm=0.0, far_mm=depth_mm)
    needed = needed_frames(planes, usable, lane=lane, near_mm=0.0, far_mm=depth_mm)
    meant = drawn.meant_mm(way.approach, way.frames)
    duration_s = float(drawn.times_s[way.frames - 1])
    travel_mm = float(np.abs(np.diff(meant)).sum())
    step_mm = travel_mm / max(way.frames - 1, 1)
    frames = slice(way.frames)
    wander = np.hypot(*drawn.aside_mm[:, :, frames]).max(axis=1)
    whole = int(found.whole.sum())
    return Forecast(
        way=way,
        duration_s=duration_s,
        step_mm=step_mm,
        step_share=step_mm / lane.total_mm,
        speed_mm_per_s=travel_mm / duration_s if duration_s > 0 else 0.0,
        start_before_mm=0.0 - float(meant.min()),
        end_behind_mm=float(meant.max()) - depth_mm,
        chance=whole / len(planes),
        chance_interval=share_interval(whole, len(planes)),
        share=float(found.share.mean()),
        share_low=float(np.quantile(found.share, 0.05)),
        gap_mm=float(found.largest_gap_mm.mean()),
        gap_high_mm=float(np.quantile(found.largest_gap_mm, 0.95)),
        wasted_share=1 - float(needed.mean()) / way.total_frames,
        smeared_share=float((drawn.smear_px[:, frames] > USABLE_SMEAR_PX).mean()),
        dark_share=float((drawn.gain_stops[:, frames] < USABLE_GAIN_STOPS).mean()),
        strayed_share=float(drawn.strayed[:, frames].mean()),
        wander_mm=float(np.quantile(wander, 0.95)),
        tries=len(planes),
    )


def laid_pass(setting: Setting, drawn: Passes, *, frames: int, slack: float = 0.0) -> Approach:
    """Return a swinging pass of so many frames over the depth.

    It starts half a lane before the nearest point and ends half a lane behind the last, and
    farther by so many times what the hands have wandered by then.
    """
    wandered = float(drawn.along_mm[:, frames - 1].std())
    return cover(
        setting.stance.approach,
        near_mm=-setting.lane.far_mm,
        far_mm=setting.depth_mm + setting.lane.near_mm + slack * wandered,
        times_s=drawn.times_s[:frames],
    )


def regular_frames(depth_mm: float, step_mm: float) -> int:
    """Return how many regular steps of the plane of focus go through a depth, and one.

    The first plane lies at the nearest point or before it, the last at the farthest or behind.

    Raises
    ------
    ValueError
        Depth or step is not > 0.
    """
    if not (depth_mm > 0 and step_mm > 0):
        raise ValueError(f"depth_mm and step_mm must be > 0, got {depth_mm!r} and {step_mm!r}")
    steps = depth_mm / step_mm
    # A quotient that is whole but for rounding is whole.
    return (round(steps) if abs(steps - round(steps)) < 1e-9 * steps else ceil(steps)) + 1


def regular_pass(setting: Setting, *, frames: int | None = None) -> Way:
    """Lay a pass of regular steps over the depth.

    Parameters
    ----------
    setting : Setting
    frames : int, optional
        Number of frames, >= 2; otherwise the steps overlap as the setting says.
    """
    if frames is None:
        step_mm = (1 - setting.overlap) * setting.lane.total_mm
        frames = regular_frames(setting.depth_mm, step_mm)
    else:
        step_mm = setting.depth_mm / (frames - 1)
    travel_mm = (frames - 1) * step_mm
    approach = replace(
        setting.stance.approach,
        start_mm=(setting.depth_mm - travel_mm) / 2,
        length_mm=travel_mm,
        step_mm=step_mm,
    )
    return Way(passes=1, frames=frames, approach=approach)


def share_interval(hits: int, tries: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a chance of which `hits` of `tries` were seen.

    Clopper and Pearson, Biometrika 26, 404 (1934).
    """
    tail = (1 - level) / 2
    low = float(betaincinv(hits, tries - hits + 1, tail)) if hits > 0 else 0.0
    high = float(betaincinv(hits + 1, tries - hits, 1 - tail)) if hits < tries else 1.0
    return low, high


def tries_of(drawn: Passes, way: Way) -> tuple[Doubles, npt.NDArray[np.bool_]]:
    """Return planes of focus and usable frames, one row a try of all its passes."""
    planes = drawn.planes_mm(way.approach, way.frames)
    tries = len(planes) // way.passes
    if tries == 0:
        raise ValueError(f"{len(planes)} drawn passes are too few for a way of {way.passes}")
    shape = (tries, way.total_frames)
    rows = slice(tries * way.passes)
    return planes[rows].reshape(shape), drawn.usable[rows, : way.frames].reshape(shape)
