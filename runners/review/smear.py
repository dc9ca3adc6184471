"""Motion blur: detail that is lost in one direction and not in the other."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np

from ...ground.types import Doubles
from .detail import DIRECTIONS, band_transfers

#: Cells count in a frame that shows them nearly as sharp as any, by energy.
_NEARLY = 0.4
#: Fewer cells than this tell nothing.
_FEWEST = 12
#: Lengths that are tried, working px.
_LENGTHS = np.linspace(0.0, 8.0, 81)


@dataclass(frozen=True, eq=False, kw_only=True)
class MotionBlur:
    """Motion blur of the frames.

    Parameters
    ----------
    length : array (frames,)
        Of the path of a point during the exposure, working px; NaN where it cannot be told.
    direction : array (frames,)
        Degrees from the right, downward; of a line, so 0 to 180.
    """

    length: Doubles
    direction: Doubles


def smear_of(directions: Doubles, energy: Doubles) -> MotionBlur:
    """Find by how much more each frame lacks detail along one direction than the others do.

    Parameters
    ----------
    directions : array (frames, directions, cells)
        Energy of slopes along each direction, NaN where a frame does not show the cell.
    energy : array (frames, cells)
        Energy of the finest band.

    Notes
    -----
    Defocus takes as much in all directions. A point that is drawn out over L pixels loses the
    contrast of waves along that way by sinc(f L) (handbook; see `simulator.blur.smear`) and none
    of those across. So the difference between directions is compared with that of the same cell
    in the other frames.
    """
    logs = np.log(np.maximum(directions, 1e-12))
    uneven = logs - logs.mean(axis=1, keepdims=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a cell that no frame shows
        sharp = energy >= _NEARLY * np.nanmax(energy, axis=0)
        uneven = np.where(sharp[:, np.newaxis], uneven, np.nan)
        uneven = uneven - np.nanmedian(uneven, axis=0)
        by_frame = np.nanmedian(uneven, axis=2)
    several = sharp.sum(axis=0) >= 3
    enough = (sharp & several).sum(axis=1) >= _FEWEST
    expected = _expected()
    lengths, angles = np.full(len(logs), np.nan), np.full(len(logs), np.nan)
    for frame in np.flatnonzero(enough & np.isfinite(by_frame).all(axis=1)):
        left = ((expected - by_frame[frame]) ** 2).sum(axis=2)
        angle, length = np.unravel_index(int(left.argmin()), left.shape)
        lengths[frame], angles[frame] = _LENGTHS[length], _ANGLES[angle]
    return MotionBlur(length=lengths, direction=angles)


_ANGLES = np.arange(0.0, 180.0, 15.0)


def _expected() -> Doubles:
    """Return the unevenness that smear makes of an even texture, (angles, lengths, directions)."""
    frequency = np.geomspace(0.02, 0.5, 40)
    weight = band_transfers(frequency)[0] ** 2  # slopes square it up, a spectrum of 1/f^2 down
    turn = np.deg2rad(np.arange(0, 180, 5))
    found = np.empty((len(_ANGLES), len(_LENGTHS), len(DIRECTIONS)))
    for row, angle in enumerate(np.deg2rad(_ANGLES)):
        along = np.multiply.outer(frequency, np.cos(turn - angle))
        for column, length in enumerate(_LENGTHS):
            kept = weight[:, np.newaxis] * np.sinc(along * length) ** 2 * frequency[:, np.newaxis]
            found[row, column] = [
                np.log((kept * np.cos(turn - np.deg2rad(way)) ** 2).sum()) for way in DIRECTIONS
            ]
    return found - found.mean(axis=2, keepdims=True)
