"""Fusion metrics that compare the structure of result and frames window by window."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy import ndimage

from ...ground.types import Bools, Doubles, Floats
from ..checks import interior, mean_over
from ..focus.filters import sobel
from .sources import Blend, Sources, fusion_metric, weighted_mean

BOX_PX = 8
_GAUSSIAN_SIGMA = 1.5
_GAUSSIAN_RADIUS = 3
_YANG_LIKENESS = 0.75
_FLAT = 1e-12  # a variance of planes 0..1 that is rounding, not texture


def _box(plane: Doubles) -> Doubles:
    return ndimage.uniform_filter(plane, BOX_PX, mode="nearest")


def _gaussian(plane: Doubles) -> Doubles:
    return ndimage.gaussian_filter(plane, _GAUSSIAN_SIGMA, mode="nearest", radius=_GAUSSIAN_RADIUS)


@dataclass(frozen=True, slots=True)
class _Window:
    """A plane with its local mean and variance, under a box or a Gaussian."""

    plane: Doubles
    mean: Doubles
    variance: Doubles
    gaussian: bool

    @classmethod
    def of(cls, plane: Floats, *, gaussian: bool = False) -> _Window:
        smooth = _gaussian if gaussian else _box
        values = plane.astype(np.float64)
        mean = smooth(values)
        variance = np.maximum(smooth(values * values) - mean * mean, 0.0)
        variance[variance < _FLAT] = 0.0
        return cls(values, mean, variance, gaussian)

    def covariance(self, other: _Window) -> Doubles:
        smooth = _gaussian if self.gaussian else _box
        return smooth(self.plane * other.plane) - self.mean * other.mean

    def likeness(self, other: _Window) -> Doubles:
        """Universal quality index of each window, -1..1; two flat windows differ by mean only."""
        means = self.mean * other.mean
        power = self.mean**2 + other.mean**2
        luminance = np.divide(2.0 * means, power, out=np.ones_like(means), where=power > 0.0)
        variances = self.variance + other.variance
        structure = np.divide(
            2.0 * self.covariance(other),
            variances,
            out=np.ones_like(means),
            where=variances > 0.0,
        )
        return luminance * np.clip(structure, -1.0, 1.0)


def _whole_windows(mask: Bools) -> Bools:
    """Cut off the border where a window would hang over, if that leaves anything."""
    inner = interior(mask, BOX_PX // 2)
    return inner if inner.any() else mask


@fusion_metric(
    "universal quality index",
    "Wang and Bovik, IEEE Signal Processing Letters 9, 81 (2002)",
)
def universal_quality(sources: Sources) -> float:
    """Mean universal quality index of the result against each frame.

    Returns
    -------
    float
        -1..1; 1 where every frame is the result.

    Notes
    -----
    Wang and Bovik, IEEE Signal Processing Letters 9, 81 (2002): 8 x 8 sliding windows. Of a window
    without texture in either image only the means are compared.
    """
    fused = _Window.of(sources.fused)
    mask = _whole_windows(sources.mask)
    scores = [mean_over(fused.likeness(_Window.of(frame)), mask) for frame in sources.frames()]
    return float(np.mean(scores))


def _saliency_blend(fused: Floats, frames: Iterable[Floats]) -> Blend:
    """Likeness to the frames, each weighted by its local variance."""
    whole = _Window.of(fused)
    blend = Blend(fused.shape)
    for frame in frames:
        window = _Window.of(frame)
        blend.add(whole.likeness(window), window.variance)
    return blend


@fusion_metric(
    "local quality Q",
    "Piella and Heijmans, Proc. Int. Conf. Image Processing III, 173 (2003)",
)
def piella(sources: Sources) -> float:
    """Local quality of Piella and Heijmans: frames count by their variance in the window.

    Returns
    -------
    float
        -1..1; 1 where every frame is the result.

    Notes
    -----
    Piella and Heijmans, Proc. Int. Conf. Image Processing III, 173 (2003), with the universal
    quality index in 8 x 8 windows.
    """
    blend = _saliency_blend(sources.fused, sources.frames())
    return mean_over(blend.mean(), _whole_windows(sources.mask))


@fusion_metric(
    "weighted quality Q_W",
    "Piella and Heijmans (2003)",
)
def piella_weighted(sources: Sources) -> float:
    """Weighted quality Q_W: as `piella`, with windows counted by their largest variance."""
    blend = _saliency_blend(sources.fused, sources.frames())
    return weighted_mean(blend.mean(), blend.strongest, _whole_windows(sources.mask))


@fusion_metric(
    "edge-dependent quality Q_E",
    "Piella and Heijmans (2003)",
)
def piella_edges(sources: Sources, *, alpha: float = 1.0) -> float:
    """Edge-dependent quality Q_E: Q_W times that of the edge images to the power `alpha`.

    A quality of the edge images below 0 counts as 0.
    """
    edges = _saliency_blend(_edge_image(sources.fused), map(_edge_image, sources.frames()))
    mask = _whole_windows(sources.mask)
    quality = weighted_mean(edges.mean(), edges.strongest, mask)
    return piella_weighted.compute(sources) * max(quality, 0.0) ** alpha


def _edge_image(plane: Floats) -> Floats:
    """Length of the gradient, in grey per pixel."""
    right, down = sobel(plane)
    return (np.hypot(right, down) / 8.0).astype(np.float32)


@fusion_metric(
    "covariance quality",
    "Cvejic et al. (2005)",
)
def cvejic(sources: Sources) -> float:
    """Quality of Cvejic and others: frames count by their covariance with the result.

    Returns
    -------
    float
        -1..1; 1 where every frame is the result.

    Notes
    -----
    Cvejic, Loza, Bull and Canagarajah (2005). A negative covariance counts as 0, which for two
    frames is the published clipping of the share to 0..1 wherever one of them is positive.
    """
    whole = _Window.of(sources.fused)
    blend = Blend(sources.fused.shape)
    for frame in sources.frames():
        window = _Window.of(frame)
        blend.add(whole.likeness(window), np.maximum(whole.covariance(window), 0.0))
    return mean_over(blend.mean(), _whole_windows(sources.mask))


@fusion_metric(
    "agreement quality",
    "Yang et al., Information Fusion 9, 156 (2008)",
)
def yang(sources: Sources) -> float:
    """Quality of Yang and others: average where the frames agree, the best where they do not.

    Returns
    -------
    float
        -1..1; 1 where every window of the result is that of a frame.

    Notes
    -----
    Yang, Zhang, Wang and Liu, Information Fusion 9, 156 (2008): Gaussian windows of 7 x 7 pixels.
    Frames agree where every pair has a likeness of 0.75 or more, so the cost grows with the square
    of their number, and all of them are held at once.
    """
    whole = _Window.of(sources.fused, gaussian=True)
    windows = [_Window.of(frame, gaussian=True) for frame in sources.frames()]
    agree = np.ones(sources.fused.shape, dtype=bool)
    for first, second in combinations(windows, 2):
        agree &= first.likeness(second) >= _YANG_LIKENESS
    blend = Blend(sources.fused.shape)
    best = np.full(sources.fused.shape, -1.0)
    for window in windows:
        likeness = whole.likeness(window)
        blend.add(likeness, window.variance)
        np.maximum(best, likeness, out=best)
    return mean_over(np.where(agree, blend.mean(), best), sources.mask)
