"""Points that two pictures share, found by features, in whatever size and turn they show them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
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
#: What counts as white of a picture: a feature must have some contrast; and least of that.
_BRIGHT_PERCENT, _DARKEST = 99.0, 0.02


@dataclass(frozen=True, kw_only=True, eq=False)
class KeyPoints:
    """What a picture can be known again by, in whatever size and turn.

    Parameters
    ----------
    places : array (features, 2)
        (x, y), px.
    descriptors : array (features, 128)
        Of Lowe's scale-invariant features.
    longest_px : int
        The picture's longer side.
    """

    places: Doubles
    descriptors: npt.NDArray[np.uint8]
    longest_px: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Matches:
    """Points (x, y) that two pictures share, px: array indices.

    Parameters
    ----------
    first, second : array (points, 2)
    """

    first: Doubles
    second: Doubles


def matches(first: KeyPoints | None, second: KeyPoints | None) -> Matches | None:
    """Find what two pictures share by scale-invariant features.

    Parameters
    ----------
    first, second : KeyPoints or None
        Of pictures of any size; None of one that has none.

    Returns
    -------
    Matches or None
        Those that agree on one similarity but for parallax (random sample consensus, always the
        same draw); None where too few do.
    """
    if first is None or second is None:
        return None
    pairs = match_descriptors(
        first.descriptors, second.descriptors, max_ratio=_RATIO, cross_check=True
    )
    if len(pairs) < _FEWEST:
        return None
    here, there = first.places[pairs[:, 0]], second.places[pairs[:, 1]]
    _, agreed = ransac(
        (here, there),
        SimilarityTransform,
        min_samples=2,
        residual_threshold=_AWAY * second.longest_px,
        max_trials=_TRIALS,
        rng=0,
    )
    if agreed is None or np.count_nonzero(agreed) < _FEWEST:
        return None
    return Matches(first=here[agreed], second=there[agreed])


def features(plane: Floats) -> KeyPoints | None:
    """Return the features of a plane (rows, cols); None where it has none."""
    zoom = max(plane.shape) / _LONGEST_PX
    shape = tuple(round(side / zoom) for side in plane.shape)
    small = resize(plane.astype(float), shape, order=3, anti_aliasing=zoom > 1)
    small /= max(float(np.percentile(small, _BRIGHT_PERCENT)), _DARKEST)  # else none in a dark one
    finder = SIFT(upsampling=1)
    try:
        finder.detect_and_extract(small)
    except (RuntimeError, IndexError):  # no feature at all, or too small for one
        return None
    ratio = np.array(plane.shape) / np.array(small.shape)
    places = (np.asarray(finder.positions) + 0.5) * ratio - 0.5
    return KeyPoints(
        places=places[:, ::-1].astype(float),
        descriptors=np.asarray(finder.descriptors),
        longest_px=max(plane.shape),
    )
