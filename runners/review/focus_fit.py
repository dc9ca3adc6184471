"""Where each frame and each part of the picture lies in depth, from how their blur differs."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from ...ground.types import Bools, Doubles, Floats, Indices
from .loss import DefocusLoss

#: Error of an energy: share of it, share of the largest of its cell, and share of the noise.
_SHARE, _OF_LARGEST, _OF_NOISE = 0.2, 0.05, 0.5
#: Errors of bands and of neighbouring frames go together: so many count as one.
_TOGETHER = 2.0
#: What the model of the blur leaves out, as a depth over that which one frame holds (standard
#: deviation; rendered bursts: the fit is off by that much where nothing is random).
_MODEL = 0.12
#: Widths of depth within a cell that are tried, over the depth that one frame holds.
_WIDTHS = (0.0, 0.7, 1.5, 3.0)
#: Depths are tried this much finer than the depth that one frame holds, and as far beyond the
#: frames as so many of it.
_FINE, BEYOND = 8, 4.0
#: A cell shows something if its largest energy is so many times the noise.
_TELLING = 4.0
_ROUNDS = 3
#: Frames are placed by cells whose depth is known to this share of the depth that one frame holds,
#: and that the fit leaves no more than so many times the expected error of; by so many or more.
_SURE, _FITS, _FEWEST_SURE = 0.5, 3.0, 8
#: A frame is moved by no more than this from where its scale has it, over the same depth; what is
#: farther off than three errors counts as that; so many cells and bands count as one; and no
#: frame is known better than this share of the depth that it holds.
_MOVES, _OUTLIER, _CELLS_TOGETHER, _LEAST_ERROR = 1.5, 9.0, 8.0, 0.04


@dataclass(frozen=True, eq=False, kw_only=True)
class Seen:
    """What the frames show, cell by cell of the reference picture.

    Parameters
    ----------
    energy : array (frames, bands, cells)
        Of contrast; NaN where a frame does not show the cell.
    noise : array (frames, bands, cells)
        What of it is noise.
    """

    energy: Doubles
    noise: Doubles


@dataclass(frozen=True, eq=False, kw_only=True)
class FocusFit:
    """Frames and cells in depth.

    Parameters
    ----------
    frame_mm : array (frames,)
        Planes of focus, along the axis; zero is that of the reference.
    frame_error_mm : array (frames,)
        Their standard deviations.
    depths_mm : array (depths,)
        Depths that were tried.
    chance : array (depths, cells)
        Of each, given the frames; all zero for a cell that tells nothing.
    width_mm : array (cells,)
        Width of depth within the cell that fits best.
    texture : array (bands, cells)
        Energy that the cell would have in focus.
    misfit : array (cells,)
        Mean square of what the fit leaves, over the errors expected.
    told : array (cells,) of bool
        Cells with enough texture to say anything.
    """

    frame_mm: Doubles
    frame_error_mm: Doubles
    depths_mm: Doubles
    chance: Doubles
    width_mm: Doubles
    texture: Doubles
    misfit: Doubles
    told: Bools

    @property
    def cell_mm(self) -> Doubles:
        """Mean depth of each cell, NaN where nothing is told."""
        total = self.chance.sum(axis=0)
        mean = self.depths_mm @ self.chance / np.maximum(total, 1e-12)
        return np.where(total > 0, mean, np.nan)


def fit_focus(
    seen: Seen, loss: DefocusLoss, *, start_mm: Doubles, start_error_mm: float, lane_mm: float
) -> FocusFit:
    """Fit depths of cells and planes of focus of frames to the energies, by turns.

    Parameters
    ----------
    seen : Seen
    loss : DefocusLoss
    start_mm : array (frames,)
        Planes of focus as the scale of the pictures has them.
    start_error_mm : float
        Standard deviation of those.
    lane_mm : float
        Depth that one frame holds.
    """
    fit = _cells(seen, loss, start_mm, lane_mm)
    for _ in range(_ROUNDS):
        frame_mm, error_mm = _frames(
            seen, loss, fit, start_mm=start_mm, start_error_mm=start_error_mm, lane_mm=lane_mm
        )
        fit = replace(_cells(seen, loss, frame_mm, lane_mm), frame_error_mm=error_mm)
    return fit


def _weights(seen: Seen) -> Doubles:
    """Return one over the variance of each energy; 0 where there is none."""
    energy = np.nan_to_num(seen.energy)
    largest = energy.max(axis=0)
    error = _SHARE * energy + _OF_LARGEST * largest + _OF_NOISE * seen.noise
    return np.where(np.isfinite(seen.energy), 1 / np.maximum(error, 1e-12) ** 2, 0.0)


def _cells(seen: Seen, loss: DefocusLoss, frame_mm: Doubles, lane_mm: float) -> FocusFit:
    weight = _weights(seen)
    signal = np.nan_to_num(seen.energy - seen.noise)
    reach = BEYOND * lane_mm
    low, high = frame_mm.min() - reach, frame_mm.max() + reach
    depths = np.linspace(low, high, int(np.ceil((high - low) / lane_mm * _FINE)) + 1)
    offsets = depths[np.newaxis] - frame_mm[:, np.newaxis]
    total = (weight * signal**2).sum(axis=(0, 1))
    counted = np.maximum((weight > 0).sum(axis=(0, 1)), 1)
    left = np.empty((len(_WIDTHS), len(depths), seen.energy.shape[2]))
    bands = seen.energy.shape[1]
    texture = np.empty((len(_WIDTHS), bands, *left.shape[1:]), dtype=np.float32)
    for width, share in enumerate(_WIDTHS):
        kept = loss.spread(share * lane_mm).at(offsets)
        explained = np.zeros(left.shape[1:])
        for band in range(bands):
            cross = kept[band].T @ (weight * signal)[:, band]
            square = (kept[band] ** 2).T @ weight[:, band] + 1e-30
            found = np.maximum(cross, 0) / square
            explained += found * np.maximum(cross, 0)
            texture[width, band] = found
        left[width] = total - explained
    return _posterior(
        seen,
        frame_mm=frame_mm,
        depths=depths,
        left=left,
        texture=texture,
        counted=counted,
        lane_mm=lane_mm,
    )


def _posterior(
    seen: Seen,
    *,
    frame_mm: Doubles,
    depths: Doubles,
    left: Doubles,
    texture: Floats,
    counted: Doubles,
    lane_mm: float,
) -> FocusFit:
    """Turn what the fit leaves at every width and depth, (widths, depths, cells), into chances."""
    cells = np.arange(left.shape[2])
    flat = left.reshape(-1, len(cells))
    best = flat.argmin(axis=0)
    least = flat[best, cells]
    misfit = least / np.maximum(counted - 4, 1)
    chance = np.exp(-(flat - least) / (2 * _TOGETHER * np.maximum(misfit, 1.0)))
    over = chance.reshape(left.shape).sum(axis=0)
    over = ndimage.gaussian_filter1d(over, _MODEL * _FINE, axis=0, mode="nearest")
    told = _told(seen)
    bands = texture.shape[1]
    at = texture.transpose(1, 0, 2, 3).reshape(bands, -1, len(cells))
    return FocusFit(
        frame_mm=frame_mm,
        frame_error_mm=np.full(len(frame_mm), np.nan),
        depths_mm=depths,
        chance=np.where(told, over / np.maximum(over.sum(axis=0), 1e-300), 0.0),
        width_mm=np.asarray(_WIDTHS)[best // len(depths)] * lane_mm,
        texture=at[:, best, cells].astype(float),
        misfit=misfit,
        told=told,
    )


def _told(seen: Seen) -> Bools:
    """Say which cells show fine detail above the noise in some frame."""
    over = seen.energy[:, 0] / np.maximum(seen.noise[:, 0], 1e-12)
    return np.asarray(np.nan_to_num(over).max(axis=0) > _TELLING)


def _sure_cells(fit: FocusFit, cell_mm: Doubles, lane_mm: float) -> Indices:
    """Return the cells whose depth is known well enough to place frames by."""
    apart = fit.depths_mm[:, np.newaxis] - np.nan_to_num(cell_mm)
    spread = np.sqrt((apart**2 * fit.chance).sum(axis=0))
    return np.flatnonzero(fit.told & (spread < _SURE * lane_mm) & (fit.misfit < _FITS))


def _frames(
    seen: Seen,
    loss: DefocusLoss,
    fit: FocusFit,
    *,
    start_mm: Doubles,
    start_error_mm: float,
    lane_mm: float,
) -> tuple[Doubles, Doubles]:
    """Move each frame to where its energies fit best, held by what the scale says."""
    cell_mm = fit.cell_mm
    sure = _sure_cells(fit, cell_mm, lane_mm)
    errors = np.full(len(start_mm), start_error_mm)
    if sure.size < _FEWEST_SURE:
        return fit.frame_mm, errors
    weight = _weights(seen)[:, :, sure]
    signal = np.nan_to_num(seen.energy - seen.noise)[:, :, sure]
    narrow = loss.spread(_WIDTHS[1] * lane_mm)
    found = np.empty_like(errors)
    shifts = np.linspace(-_MOVES, _MOVES, 61) * lane_mm
    for frame, start in enumerate(start_mm):
        places = start + shifts
        kept = narrow.at(cell_mm[sure] - places[:, np.newaxis])
        gap = signal[frame, :, np.newaxis] - fit.texture[:, sure][:, np.newaxis] * kept
        off = np.minimum(weight[frame, :, np.newaxis] * gap**2, _OUTLIER)
        left = off.sum(axis=(0, 2)) / _CELLS_TOGETHER + (shifts / start_error_mm) ** 2
        chance = np.exp(-(left - left.min()) / 2)
        chance /= chance.sum()
        found[frame] = places @ chance
        errors[frame] = np.hypot(
            np.sqrt((places - found[frame]) ** 2 @ chance), _LEAST_ERROR * lane_mm
        )
    # Blur tells single frames apart better than it tells how far the whole burst goes: what the
    # model of it leaves out stretches or shrinks all distances, and the scale does not.
    return _stretched(found, start_mm), errors


def _stretched(found_mm: Doubles, start_mm: Doubles) -> Doubles:
    """Return places moved and stretched together, so that on the whole they lie as at the start."""
    found, start = found_mm - found_mm.mean(), start_mm - start_mm.mean()
    slope = float(found @ start) / max(float(start @ start), 1e-12)
    return start_mm.mean() + found / slope if slope > 0 else start_mm
