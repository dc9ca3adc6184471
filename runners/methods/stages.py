"""Stages that a built-in method may be given in place of its own, to see what a stage does.

They are asked for by name: ``laplacian-pyramid+local-gain``, ``laplacian-pyramid+true-warp``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal

from .align.align import direct, no_alignment, phase_correlated
from .align.equalise import local_gain, no_gain
from .align.flow import residual_flow
from .align.select import everything, greedy_cover, sharp_somewhere
from .fuse.depth import argmax_depth, no_depth, peak_depth, regularised_depth
from .oracle import GivenTruth, TrueChoice, TrueMap, TrueWarp
from .recipe import Recipe


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage that can be exchanged.

    Parameters
    ----------
    title : str
        A line for people.
    kind : {"select", "align", "equalise", "fuse", "depth"}
        Which stage of a recipe it takes the place of.
    function : callable
        The stage, or with `needs_truth` what makes it of a `GivenTruth`.
    needs_truth : bool
    """

    title: str
    kind: Literal["select", "align", "equalise", "fuse", "depth"]
    function: Callable[..., Any]
    needs_truth: bool = False

    def put_into(self, recipe: Recipe, truth: GivenTruth | None = None) -> Recipe:
        """Return a recipe with this stage instead of its own."""
        stage = self.function(truth) if self.needs_truth else self.function
        exchanged: dict[str, Any] = {self.kind: stage}
        return replace(recipe, **exchanged)


#: By name.
STAGES = {
    "all-frames": Stage("select: all frames, dark ones too", "select", everything),
    "sharp-frames": Stage("select: frames that are sharp somewhere", "select", sharp_somewhere),
    "few-frames": Stage("select: few frames that leave no gap", "select", greedy_cover),
    "no-alignment": Stage("align: frames as they are", "align", no_alignment),
    "shift-alignment": Stage(
        "align: by phase correlation, shifts alone", "align", phase_correlated
    ),
    "direct-alignment": Stage("align: each frame with the reference at once", "align", direct),
    "flow-alignment": Stage("align: optical flow after the transform", "align", residual_flow),
    "no-gain": Stage("equalise: exposures as they are", "equalise", no_gain),
    "local-gain": Stage("equalise: a gain that varies over the picture", "equalise", local_gain),
    "no-depth": Stage("depth: none", "depth", no_depth),
    "nearest-depth": Stage("depth: the sharpest frame", "depth", argmax_depth),
    "peak-depth": Stage("depth: peak between frames", "depth", peak_depth),
    "smooth-depth": Stage("depth: peak, smoothed by a guided filter", "depth", regularised_depth),
    "true-choice": Stage(
        "select: frames that are truly usable", "select", TrueChoice, needs_truth=True
    ),
    "true-warp": Stage("align: the true place of every pixel", "align", TrueWarp, needs_truth=True),
    "true-map": Stage(
        "fuse: each pixel where it is truly sharpest", "fuse", TrueMap, needs_truth=True
    ),
}
#: Names of those that are given the truth.
TRUE_STAGES = tuple(name for name, stage in STAGES.items() if stage.needs_truth)
