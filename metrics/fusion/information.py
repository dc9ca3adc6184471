"""Fusion metric from the information that the result shares with the frames."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ...ground.types import Floats
from .sources import Sources, fusion_metric

_LEVELS = 256


@fusion_metric(
    "normalised mutual information",
    "Hossny, Nahavandi and Creighton, Electronics Letters 44, 1066 (2008)",
    best=2.0,
    range=(0.0, 2.0),
)
def mutual_information(sources: Sources) -> float:
    """Normalised mutual information of the result with the frames.

    Returns
    -------
    float
        0..2; 2 where every frame is the result.

    Notes
    -----
    Hossny, Nahavandi and Creighton, Electronics Letters 44, 1066 (2008), over 256 levels. For two
    frames their sum; for N frames 2/N of the sum, to keep the range. Images of one grey are alike.
    A frame handed back unchanged beats a perfect merge by this metric: never show it alone.
    """
    if not sources.mask.any():
        return float("nan")
    fused = _levels(sources.fused[sources.mask])
    shares = [_shared(_levels(frame[sources.mask]), fused) for frame in sources.frames()]
    return 2.0 * float(np.mean(shares))


def _levels(values: Floats) -> npt.NDArray[np.int64]:
    return np.clip(np.floor(values * (_LEVELS - 1) + 0.5), 0, _LEVELS - 1).astype(np.int64)


def _shared(first: npt.NDArray[np.int64], second: npt.NDArray[np.int64]) -> float:
    """2 I(A; F) / (H(A) + H(F)), 0..1."""
    joint = np.bincount(first * _LEVELS + second, minlength=_LEVELS**2).reshape(_LEVELS, _LEVELS)
    apart = _entropy(joint.sum(axis=0)) + _entropy(joint.sum(axis=1))
    if apart == 0.0:
        return 1.0
    return 2.0 * max(apart - _entropy(joint.ravel()), 0.0) / apart


def _entropy(counts: npt.NDArray[np.int64]) -> float:
    """Shannon entropy of a histogram, in bits."""
    share = counts[counts > 0] / counts.sum()
    return float(-np.sum(share * np.log2(share)))
