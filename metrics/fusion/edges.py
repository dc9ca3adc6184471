"""Fusion metrics that follow edges: what of the frames' gradients the result has kept."""

from __future__ import annotations

import math

import numpy as np

from ...ground.types import Floats
from ..checks import mean_over
from ..focus.filters import sobel
from .sources import Sources, fusion_metric, weighted_mean

# Limit, steepness and centre of the two curves that turn likeness into perceived quality.
_STRENGTH = (0.9994, -15.0, 0.5)
_ORIENTATION = (0.9879, -22.0, 0.8)
#: What identical images get.
IDENTITY_EDGE_TRANSFER = 0.9994 / (1.0 + math.exp(-7.5)) * 0.9879 / (1.0 + math.exp(-4.4))


@fusion_metric(
    "edge transfer Q^AB/F",
    "Xydeas and Petrovic, Electronics Letters 36, 308 (2000)",
    best=IDENTITY_EDGE_TRANSFER,
    range=(0.0, IDENTITY_EDGE_TRANSFER),
)
def edge_transfer(sources: Sources, *, half_turn: bool = True) -> float:
    """Share of edge strength and direction carried over from the frames: Q^AB/F.

    Parameters
    ----------
    half_turn : bool
        Take orientations modulo a half turn, so that likeness stays in 0..1. As printed, two
        nearly upright edges that lean to either side of the vertical count as opposites.

    Returns
    -------
    float
        0..0.97479; the upper end is reached by identical images. Frames count by the strength of
        their edges.

    Notes
    -----
    Xydeas and Petrovic, Electronics Letters 36, 308 (2000). Equal strengths are alike even where
    both are 0.
    """
    strength, orientation = _edges(sources.fused)
    kept, weight = [], []
    for frame in sources.frames():
        frame_strength, frame_orientation = _edges(frame)
        quality = _curve(_likeness(frame_strength, strength), _STRENGTH)
        aligned = _alignment(frame_orientation, orientation, half_turn)
        quality *= _curve(aligned, _ORIENTATION)
        kept.append(weighted_mean(quality, frame_strength, sources.mask))
        weight.append(float(frame_strength[sources.mask].sum(dtype=np.float64)))
    if not sum(weight):
        return float(np.mean(kept))
    return float(np.average(kept, weights=weight))


def _edges(plane: Floats) -> tuple[Floats, Floats]:
    """Sobel strength, and orientation in -pi/2..pi/2 (0 for no edge)."""
    right, down = sobel(plane)
    strength = np.sqrt(right * right + down * down)
    steep = np.full_like(right, np.pi / 2.0)
    slope = np.divide(down, right, out=np.zeros_like(right), where=right != 0.0)
    flat = np.arctan(slope)
    return strength, np.where((right == 0.0) & (down != 0.0), steep, flat)


def _likeness(first: Floats, second: Floats) -> Floats:
    """Smaller over larger; 1 where both are 0."""
    larger = np.maximum(first, second)
    return np.divide(np.minimum(first, second), larger, out=np.ones_like(first), where=larger > 0.0)


def _alignment(first: Floats, second: Floats, half_turn: bool) -> Floats:
    """1 for parallel edges, 0 for edges that cross at a right angle."""
    apart = np.abs(first - second)
    if half_turn:
        apart = np.minimum(apart, np.float32(np.pi) - apart)
    return np.float32(1.0) - apart / np.float32(np.pi / 2.0)


def _curve(likeness: Floats, curve: tuple[float, float, float]) -> Floats:
    limit, steepness, centre = curve
    return limit / (1.0 + np.exp(steepness * (likeness - centre)))


@fusion_metric(
    "spatial-frequency error",
    "Zheng et al., Information Fusion 8, 177 (2007)",
    direction="nearest",
    best=0.0,
    range=(-1.0, math.inf),
)
def frequency_error(sources: Sources) -> float:
    """Relative error of the result's spatial frequency in four directions: rSFe.

    Returns
    -------
    float
        0 is ideal; below 0 detail was lost (no lower than -1), above 0 noise or halos were added.
        0 too where neither the frames nor the result have any detail, infinite if only the result
        has.

    Notes
    -----
    Zheng and others, Information Fusion 8, 177 (2007). The reference is, pixel by pixel and
    direction by direction, the largest difference any frame has.
    """
    largest: list[Floats] | None = None
    for frame in sources.frames():
        steps = _steps(frame)
        if largest is None:
            largest = steps
        else:
            largest = [np.maximum(a, b) for a, b in zip(largest, steps, strict=True)]
    got = _spatial_frequency(_steps(sources.fused), sources)
    wanted = _spatial_frequency(largest or [], sources)
    if wanted == 0.0:
        return 0.0 if got == 0.0 else float("inf")
    return (got - wanted) / wanted


def _steps(plane: Floats) -> list[Floats]:
    """Absolute differences to the left, the upper, and the two upper diagonal neighbours."""
    maps = [np.zeros_like(plane) for _ in range(4)]
    maps[0][:, 1:] = plane[:, 1:] - plane[:, :-1]
    maps[1][1:] = plane[1:] - plane[:-1]
    maps[2][1:, 1:] = plane[1:, 1:] - plane[:-1, :-1]
    maps[3][1:, :-1] = plane[1:, :-1] - plane[:-1, 1:]
    return [np.abs(steps, out=steps) for steps in maps]


def _spatial_frequency(steps: list[Floats], sources: Sources) -> float:
    """Root of the mean square over the directions; a diagonal step is longer by sqrt(2)."""
    weights = (1.0, 1.0, np.sqrt(0.5), np.sqrt(0.5))
    squares = [
        weight * mean_over(np.square(part), sources.mask)
        for weight, part in zip(weights, steps, strict=True)
    ]
    return float(np.sqrt(sum(squares)))
