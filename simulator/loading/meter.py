"""Meters the light of a scene: the gain that brings its brightest parts where a photographer would.

A photographer exposes so that hardly anything is burnt out. What counts is the brightest thousandth
of the picture in focus, as a whole, which a small render shows.
"""

from __future__ import annotations

from bisect import bisect_left

import numpy as np

from ...ground.srgb import clipped_srgb, luma
from ...ground.types import Floats
from ..compositing.render import render
from ..rig import load_rig
from ..scene.scene import Scene
from ..view.camera import Camera

#: About how many pixels across the picture is that is metered.
WIDTH_PX = 384
#: Share of its pixels, percent, that are darker than what is metered.
PERCENTILE = 99.9
#: Gains are whole steps of so many to a stop: finer than eyes see, and so coarse that the last
#: digits of a picture, which differ from machine to machine, decide nothing.
STEPS_PER_STOP = 24
_MOST_STOPS = 8


def metered_gain(scene: Scene, *, white: float) -> float:
    """Return the factor on a scene's light that lays its brightest parts at a share of white.

    Parameters
    ----------
    scene : Scene
    white : float
        Where the 99.9th percentile of the picture in focus is to be, luma in sRGB, 0 to below 1.

    Returns
    -------
    float
        A whole step of a 24th of a stop, to three digits, within eight stops.

    Raises
    ------
    ValueError
        The picture has no light to speak of, or too much.
    """
    light = small_picture(scene)
    most = _MOST_STOPS * STEPS_PER_STOP
    steps = range(-most, most + 1)
    # The first step that is bright enough, or the one before it if that is nearer.
    first = bisect_left(steps, white, key=lambda step: brightest(_gain(step) * light))
    near = [step for step in steps[max(first - 1, 0) : first + 1] if 0 < first < len(steps)]
    if not near:
        raise ValueError(
            f"got a picture whose brightest parts are at {brightest(light):.3g} of white, allowed "
            f"one within {_MOST_STOPS} stops of {white:g}"
        )
    return _gain(min(near, key=lambda step: abs(brightest(_gain(step) * light) - white)))


def small_picture(scene: Scene) -> Floats:
    """Return the picture that is metered: small, of the whole field, in focus all over."""
    rig = load_rig(scene.rig)
    camera = Camera(rig, bin=max(1, rig.sensor.width_px // WIDTH_PX))
    return render(scene, camera, focus=(), quality="fast")


def brightest(light: Floats) -> float:
    """Return what all but the brightest thousandth of a picture stays below, a share of white.

    Parameters
    ----------
    light : array (rows, cols, 3)
        Linear, 1 = saturation.

    Returns
    -------
    float
        Luma in sRGB, 0 to 1.
    """
    return float(np.percentile(luma(clipped_srgb(light)), PERCENTILE))


def _gain(step: int) -> float:
    return float(f"{2 ** (step / STEPS_PER_STOP):.3g}")
