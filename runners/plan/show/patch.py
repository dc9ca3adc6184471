"""What a step buys: a spot of a subject as the frames next to it show it, for three steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure

from ....ground.srgb import clipped_srgb
from ....ground.types import Floats
from ....simulator import load_scene
from ....simulator.compositing.render import render_view, view_depth
from ....simulator.pose import Pose
from ....simulator.rig import Rig
from ..advise.advice import Plan
from ..draw.sharpness import Sharpness
from .plots import INCHES
from .words import mm

#: What is photographed, and how many pixels of it are shown each way.
_SUBJECT, _SHOWN_PX = "sticky-leaf", 112
#: The focus is told from a spot of so many pixels at least.
_SPOT_PX = 4
#: Steps that are shown, over the plan's.
_STEPS = (0.0, 0.5, 1.0, 2.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class StepPatch:
    """A spot of a subject midway between two planes of focus.

    Parameters
    ----------
    step_mm : float
        How far apart those are; 0 for a spot that is in focus.
    image : array (rows, cols, 3)
        Linear light.
    """

    step_mm: float
    image: Floats


def step_patches(rig: Rig, *, step_mm: float, sharpness: Sharpness) -> tuple[StepPatch, ...]:
    """Render a spot where it is least sharp: midway between two frames, for several steps.

    Parameters
    ----------
    rig : Rig
    step_mm : float
        Of the plan.
    sharpness : Sharpness
        Sets the size: half of its blur disc becomes a pixel, as a picture for that use shows it.

    Returns
    -------
    tuple of StepPatch
        In focus, at half of the step, at the step, at twice the step.
    """
    scene = load_scene(_SUBJECT)
    size = max(1, round(sharpness.blur_px / 2))
    side = min(size * _SHOWN_PX, rig.sensor.width_px, rig.sensor.height_px) // size * size
    middle = max(size, _SPOT_PX)
    depth = view_depth(scene, rig, crop=(middle, middle))
    spot_mm = float(np.nanmean(depth))
    return tuple(
        StepPatch(
            step_mm=share * step_mm,
            image=render_view(
                scene,
                rig,
                pose=Pose(z_mm=spot_mm - share * step_mm / 2),
                crop=(side, side),
                bin=size,
                quality="fast",
            ),
        )
        for share in _STEPS
    )


def step_figure(plan: Plan) -> Figure:
    """Draw the spot for the plan's step beside a finer and a coarser one."""
    setting = plan.setting
    patches = step_patches(setting.rig, step_mm=plan.advised.step_mm, sharpness=setting.sharpness)
    white = float(np.quantile(patches[0].image, 0.995))
    figure = Figure(figsize=(INCHES, 5.9), layout="constrained")
    names = ("in focus", "half the step", "this step", "twice the step")
    for axes, patch, name in zip(figure.subplots(2, 2).flat, patches, names, strict=True):
        axes.imshow(clipped_srgb(0.9 * patch.image / white), interpolation="nearest")
        axes.set_title(name if patch.step_mm == 0 else f"{name}, {mm(patch.step_mm)}", fontsize=11)
        axes.axis("off")
    return figure


def step_caption() -> str:
    """Return what `step_figure` shows."""
    return (
        "What the step buys: a leaf's skin through your lens where it is least sharp, midway "
        "between two frames. A pixel here is half of the blur that your use of the picture allows."
    )
