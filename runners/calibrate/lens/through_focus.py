"""Measured curves of contrast through focus, and which of them tell something."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ....ground.types import Bools, Doubles
from .shots import LensCalibrationError, SteppedShots
from .spectra import Spectra, leading

#: What a curve must stand out of the noise by, in power, to be used.
_LEAST_SIGNAL = 100.0
#: Blocks that must have curves in this many bands of green, and how many blocks there must be.
_LEAST_BANDS, _LEAST_BLOCKS = 4, 4
#: A disc b across takes contrast down to this where pi f b is that phase: 2 J1(a) / a = 0.7.
_SUNK, _PHASE = 0.7, 1.637
_GREEN = 1
#: Scales of neighbouring frames err alike: rendered stacks, by how much more than if they did not.
_ALIKE = 3.0
#: What a curve is first thought to depart by from any model, as a share of its length.
_MODEL_ERROR = 0.01


@dataclass(frozen=True, kw_only=True, eq=False)
class ThroughFocus:
    """Contrast through focus of each block, channel and band.

    Parameters
    ----------
    stops : array (frames,)
        Rising toward the subject, in steps.
    centres_px : array (blocks, 2)
        Of the blocks that are used, from the picture's middle.
    frequencies : array (bands, 3)
        That stand for each band, cycles per pixel.
    curves : array (blocks, channels, bands, frames)
        In proportion; each has length 1.
    weights : array (blocks, channels, bands)
        One over the standard deviation of a value; 0 where a curve tells nothing.
    scatter : array (blocks, channels, bands)
        Standard deviation of a value by the noise of the frames alone.
    start : array (blocks,)
        Stop at which a block is about in focus.
    blur_px : float
        About how much wider the blur disc gets with each step.
    per_step : float
        How much nearer the camera comes with each step, as a share of its distance.
    per_step_error : float
        Its standard deviation.
    directed : bool
        Whether it is known which way the camera went.
    block_px : int
        Width of a block.
    """

    stops: Doubles
    centres_px: Doubles
    frequencies: Doubles
    curves: Doubles
    weights: Doubles
    scatter: Doubles
    start: Doubles
    blur_px: float
    per_step: float
    per_step_error: float
    directed: bool
    block_px: int

    @property
    def bands(self) -> Doubles:
        """Mean frequency of each band, cycles per pixel."""
        return np.asarray(self.frequencies[:, 1])


def through_focus(spectra: Spectra, shots: SteppedShots) -> ThroughFocus:
    """Take curves of contrast through focus from spectra, and choose those that tell something.

    Raises
    ------
    LensCalibrationError
        Too little detail, or the stack does not go through the focus.
    """
    values, curves = leading(spectra.gram)
    noise = values[..., :-1].mean(axis=-1)
    power = values[..., -1]
    known = power > _LEAST_SIGNAL * noise
    scatter = np.sqrt(noise / power / spectra.samples / 2)
    weights = known / np.hypot(scatter, _MODEL_ERROR)
    detailed = known[:, _GREEN].sum(axis=1) >= _LEAST_BANDS
    if detailed.sum() < _LEAST_BLOCKS:
        raise LensCalibrationError(
            f"{detailed.sum()} of {len(detailed)} parts of the picture show enough fine detail, "
            f"{_LEAST_BLOCKS} are needed: take something printed or grained all over, in more light"
        )
    per_step, error = _per_step(spectra, shots.stops)
    directed = shots.directed or abs(per_step) > 3 * error
    stops = shots.stops
    if directed and per_step < 0:
        stops, per_step = -stops, -per_step
    start = _peaks(curves[:, _GREEN], weights[:, _GREEN], stops)
    inside = detailed & _is_inside(start, stops)
    if inside.sum() < max(_LEAST_BLOCKS, 0.5 * detailed.sum()):
        raise LensCalibrationError(
            f"{inside.sum()} of {detailed.sum()} parts of the picture come into focus and leave "
            "it again: the whole stack must go from well before the focus to well behind it"
        )
    blur_px = _blur_per_step(
        curves[inside], weights[inside], spectra.frequencies[:, 1], stops, start[inside]
    )
    return ThroughFocus(
        stops=stops,
        centres_px=spectra.centres_px[inside],
        frequencies=spectra.frequencies,
        curves=curves[inside],
        weights=weights[inside],
        scatter=scatter[inside],
        start=start[inside],
        blur_px=blur_px,
        per_step=per_step,
        per_step_error=error,
        directed=directed,
        block_px=spectra.block_px,
    )


def _per_step(spectra: Spectra, stops: Doubles) -> tuple[float, float]:
    """Return how much nearer the camera comes with each step, as a share of its distance.

    A flat subject that the camera nears by s shows larger by D / (D - s): one over the size falls
    in proportion to the way.
    """
    error = np.hypot(spectra.scale_error, np.median(spectra.scale_error))
    way = stops - stops[spectra.reference]
    design = np.stack([np.ones(len(way)), way], axis=1) / error[:, None]
    inverse = np.linalg.inv(design.T @ design)
    target = (1 - 1 / spectra.scale) / error
    found = inverse @ design.T @ target
    left = float(np.square(target - design @ found).sum()) / (len(way) - 2)
    return float(found[1]), _ALIKE * float(np.sqrt(max(left, 1.0) * inverse[1, 1]))


def _peaks(curves: Doubles, weights: Doubles, stops: Doubles) -> Doubles:
    """Return where the contrast of each block is largest, in steps.

    Power over all bands but the coarsest, whose peak is too flat, about its highest frame.
    """
    fine = (weights > 0) & (np.arange(weights.shape[1]) >= weights.shape[1] // 3)
    fine |= (weights > 0) & (fine.sum(axis=1, keepdims=True) == 0)
    contrast = (np.square(curves) * fine[..., None]).sum(axis=1)
    out = np.empty(len(contrast))
    for number, course in enumerate(contrast):
        high = course >= 0.5 * course.max()
        out[number] = (course[high] * stops[high]).sum() / course[high].sum()
        if high[0] or high[-1]:  # the half height on one side is all that is seen
            out[number] = stops[int(np.argmax(course))]
    return out


def _is_inside(start: Doubles, stops: Doubles) -> Bools:
    """Say which blocks come into focus with frames to spare on either side."""
    low, high = np.sort(stops)[[1, -2]]
    return np.asarray((start > low) & (start < high))


def _blur_per_step(
    curves: Doubles, weights: Doubles, bands: Doubles, stops: Doubles, start: Doubles
) -> float:
    """Return about how much wider the blur disc gets with each step, px.

    From the steps to where a band's contrast has sunk, on the side where it does first.
    """
    found = []
    for block, place in enumerate(start):
        for band, frequency in enumerate(bands):
            if weights[block, _GREEN, band] == 0:
                continue
            curve = curves[block, _GREEN, band] / curves[block, _GREEN, band].max()
            below = np.abs(stops - place)[curve < _SUNK]
            if below.size:
                found.append(_PHASE / (np.pi * frequency * below.min()))
    if len(found) < _LEAST_BLOCKS:
        raise LensCalibrationError(
            "the frames hardly leave the focus: hardly any detail loses a third of its contrast; "
            "go farther to both sides"
        )
    return float(np.median(found))
