"""Points that two pictures share, found by features, in whatever size and turn they show them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from skimage.feature import SIFT, match_descriptors
from skimage.measure import ransac
from skimage.transform import SimilarityTransform, resize

from ...ground.types import Doubles, Floats

#: Longer sides are brought to this before features are looked for, px: they take a second then.
_LONGEST_PX = 640
#: Second best matches must be this much worse (Lowe, IJCV 60, 91 (2004), section 7.1: 0.8).
_RATIO = 0.8
#: How far points may lie from a similarity, share of the longer side: parallax does that.
_AWAY = 0.015
#: Fewer that agree on a similarity are an accident.
_FEWEST = 12
_TRIALS = 2000


@dataclass(frozen=True, kw_only=True, eq=False)
class Matches:
    """Points (x, y) that two pictures share, px: array indices.

    Parameters
    ----------
    first, second : array (points, 2)
    """

    first: Doubles
    second: Doubles


def matches(first: Floats, second: Floats) -> Matches | None:
    """Find what two pictures share by scale-invariant features.

    Parameters
    ----------
    first, second : array (rows, cols)
        Of any size.

    Returns
    -------
    Matches or None
        Those that agree on one similarity but for parallax (random sample consensus, always the
        same draw); None where too few do.
    """
    found = [_features(plane) for plane in (first, second)]
    if any(points is None for points in found):
        return None
    (here, own), (there, other) = found  # type: ignore[misc]
    pairs = match_descriptors(own, other, max_ratio=_RATIO, cross_check=True)
    if len(pairs) < _FEWEST:
        return None
    here, there = here[pairs[:, 0]], there[pairs[:, 1]]
    _, agreed = ransac(
        (here, there),
        SimilarityTransform,
        min_samples=2,
        residual_threshold=_AWAY * max(second.shape),
        max_trials=_TRIALS,
        rng=0,
    )
    if agreed is None or np.count_nonzero(agreed) < _FEWEST:
        return None
    return Matches(first=here[agreed], second=there[agreed])


def _features(plane: Floats) -> tuple[Doubles, Doubles] | None:
    """Return places (x, y) of features in a plane's own pixels, and their descriptors."""
    zoom = max(plane.shape) / _LONGEST_PX
    shape = tuple(round(side / zoom) for side in plane.shape)
    small = resize(plane.astype(float), shape, order=3, anti_aliasing=zoom > 1)
    finder = SIFT(upsampling=1)
    try:
        finder.detect_and_extract(small)
    except RuntimeError:  # no feature at all
        return None
    ratio = np.array(plane.shape) / np.array(small.shape)
    places = (np.asarray(finder.positions) + 0.5) * ratio - 0.5
    return places[:, ::-1].astype(float), np.asarray(finder.descriptors)
