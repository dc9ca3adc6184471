"""Where the camera was in each frame, and how much light it got, by registering the pictures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...ground.types import Doubles
from ...simulator.optics import focus_distance_mm, image_scale_px_per_mm
from ...simulator.rig import Rig
from ...simulator.shooting.shoot import USABLE_GAIN_STOPS
from ..methods.align.align import chained
from ..methods.align.equalise import channel_gain
from ..methods.align.register import RegistrationError
from ..methods.picture.geometry import Matrix, scale_of, turn_of
from ..methods.picture.stack import InputStack
from .burst import FEWEST, Burst

#: Expected slope of a subject against the picture (our choice), and error of the registered shear
#: (rendered frames of 384 x 256 pixels); standard deviations.
_LIKELY_SLOPE, _SHEAR_ERROR = 0.3, 2e-4


class CalibrationError(ValueError):
    """The burst does not show what a calibration measures."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Track:
    """The course of a burst.

    Parameters
    ----------
    times_s : array (frames,)
        Of all frames, from the first.
    seen : array (frames,) of bool
        Which frames were registered.
    dark : array (frames,) of bool
        Which frames got hardly any light.
    right_mm, down_mm : array (frames,)
        How far the picture moved over the subject, in the plane of focus; whether the camera
        moved or turned cannot be told apart. NaN for a frame that was not registered.
    advance_mm : array (frames,)
        Toward the subject, from the scale of the picture.
    roll_mrad : array (frames,)
        Positive as in `simulator.pose.Pose`.
    gain_stops : array (frames,)
        Green light, in stops over that of the median frame.
    reference : int
        The frame whose values are zero.
    """

    times_s: Doubles
    seen: npt.NDArray[np.bool_]
    dark: npt.NDArray[np.bool_]
    right_mm: Doubles
    down_mm: Doubles
    advance_mm: Doubles
    roll_mrad: Doubles
    gain_stops: Doubles
    reference: int


def track_of(burst: Burst, rig: Rig) -> Track:
    """Register the frames of a burst and return the camera's course.

    Raises
    ------
    CalibrationError
        Less than half of the frames, or fewer than eight, could be brought onto each other.
    """
    stack = InputStack(burst.frames, {"encoding": "linear" if burst.linear else "srgb"})
    count = len(stack)
    dark = _dark(stack)
    lit = np.flatnonzero(~dark).tolist()
    if len(lit) < FEWEST:
        raise CalibrationError(
            f"frames: got only {len(lit)} of {count} that are lit, allowed {FEWEST} or more"
        )
    try:
        aligned = chained(stack, lit, model="affine")
    except RegistrationError as error:
        raise CalibrationError(
            f"the frames do not show enough to follow the camera by: {error}"
        ) from error
    used = sorted(aligned.used)
    if len(used) < FEWEST:
        raise CalibrationError(
            f"frames: got only {len(used)} of {count} that match, allowed {FEWEST} or more"
        )
    gains = channel_gain(stack, aligned)
    columns = np.full((5, count), np.nan)
    matrices = np.stack([aligned.matrices[frame] for frame in used])
    columns[:4, used] = _course(matrices, stack.shape, rig, burst.pitch_um)
    columns[4, used] = [-np.log2(float(gains[frame][1])) for frame in used]
    right, down, advance, roll, gain = columns
    return Track(
        times_s=burst.times_s,
        seen=np.isfinite(right),
        dark=dark,
        right_mm=right,
        down_mm=down,
        advance_mm=advance,
        roll_mrad=roll,
        gain_stops=gain - np.nanmedian(gain),
        reference=aligned.reference,
    )


def _dark(stack: InputStack) -> npt.NDArray[np.bool_]:
    """Mark the frames that got less than an eighth of the light of the brighter ones."""
    level = np.array([float(stack.small(frame).luma.mean()) for frame in range(len(stack))])
    return np.asarray(level < np.quantile(level, 0.75) * 2.0**USABLE_GAIN_STOPS)


def _course(
    matrices: Matrix, shape: tuple[int, int], rig: Rig, pitch_um: float
) -> tuple[Doubles, Doubles, Doubles, Doubles]:
    """Return way right, down and toward the subject, mm, and roll, mrad, of every frame."""
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2, 1.0])
    per_mm = image_scale_px_per_mm(rig) * rig.sensor.pitch_um / pitch_um
    way_mm = -((matrices @ middle)[:, :2] - middle[:2]) / per_mm
    linear = matrices[:, :2, :2]
    distance_mm = focus_distance_mm(rig)
    linear = linear - _parallax(linear, way_mm, slope_per_mm=_LIKELY_SLOPE / distance_mm)
    # From s nearer the subject shows larger by d / (d - s).
    advance_mm = [distance_mm * (1 - 1 / scale_of(frame)) for frame in linear]
    roll_mrad = [-1e3 * turn_of(frame) for frame in linear]
    return way_mm[:, 0], way_mm[:, 1], np.array(advance_mm), np.array(roll_mrad)


def _parallax(linear: Matrix, way_mm: Doubles, *, slope_per_mm: float) -> Matrix:
    """Return the part of the frames' linear maps that a slanting subject makes, (frames, 2, 2).

    No subject stands quite square. What lies farther back slides less when the camera goes
    sideways, and so the picture is sheared and stretched, and seems turned and scaled too. How
    steep the subject is shows in the shear and in the stretch, which nothing else makes.

    Parameters
    ----------
    linear : array (frames, 2, 2)
    way_mm : array (frames, 2)
        Of the camera, right and down.
    slope_per_mm : float
        Expected size of the slope over the distance. It pulls the slope to zero, weakly: this
        counts only where the camera hardly went sideways.
    """
    right, down = way_mm.T
    design = np.concatenate([np.stack([right, -down], axis=1), np.stack([down, right], axis=1)])
    seen = np.concatenate([linear[:, 0, 0] - linear[:, 1, 1], linear[:, 0, 1] + linear[:, 1, 0]])
    pull = (_SHEAR_ERROR / slope_per_mm) ** 2 * np.eye(2)
    slope = np.linalg.solve(design.T @ design + pull, design.T @ seen)
    return np.multiply.outer(way_mm, slope)
