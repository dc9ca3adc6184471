"""The fit of a lens to curves of contrast through focus."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ....ground.types import Bools, Doubles
from .agreement import GREEN, WIDEST_PX, Agreement, LensNumbers
from .model import Curves
from .shots import LensCalibrationError
from .through_focus import ThroughFocus

#: Frames of a block that must be near enough to its focus.
_FEWEST = 5
#: Working f-numbers that the search starts from, over the one whose diffraction is as coarse as
#: the pixels, and how many blocks it looks at.
_STARTS = (0.35, 0.8, 2.0)
_START_BLOCKS = 8
#: Damping of the first step of the fit, and the gain below which it is done.
_DAMPING, _DONE = 1e-3, 1e-6
_ROUNDS = 30
#: Frames are taken to stand off their places by this at least, in steps rms.
_LEAST_STRAY = 0.01
#: Each fit but the first has from the one before which frames count, and the trust in each band.
_FITS = 4


@dataclass(frozen=True, kw_only=True, eq=False)
class LensFit:
    """A lens as its curves through focus tell it, in pixels and steps.

    Parameters
    ----------
    numbers : LensNumbers
    covariance : array (numbers, numbers)
        Of `LensNumbers.vector`; 0 for what was not fitted.
    used : array (blocks, frames) of bool
        Which frames of which blocks counted.
    curves : tuple of Curves
        Of the fitted lens, red, green and blue.
    fitted : array (blocks, channels, bands, frames)
        The curves of `ThroughFocus` as this lens has them; NaN where nothing counted.
    """

    numbers: LensNumbers
    covariance: Doubles
    used: Bools
    curves: tuple[Curves, ...]
    fitted: Doubles

    def error(self, number: int) -> float:
        """Return the standard deviation of a number, by its place in `LensNumbers.vector`."""
        return float(np.sqrt(max(self.covariance[number, number], 0.0)))


def fit_lens(
    seen: ThroughFocus, *, wavelengths_um: Sequence[tuple[float, ...]], pitch_um: float
) -> LensFit:
    """Fit f-number, blur per step, spherical aberration and colour to curves through focus.

    Parameters
    ----------
    seen : ThroughFocus
    wavelengths_um : three tuples of float
    pitch_um : float
        Of the frames' pixels on the sensor.

    Raises
    ------
    LensCalibrationError
        The steps are so long that no block has frames enough about its focus.
    """
    numbers = _started(seen, wavelengths_um, pitch_um)
    for _ in range(_FITS):
        aim = _agreement(seen, numbers, wavelengths_um, pitch_um, channels=(0, 1, 2))
        numbers = _solved(aim, numbers, held=(), done=_DONE)
        left = _left(aim, numbers)
        seen = _reweighted(seen, left)
    fitted = seen.curves - left
    return LensFit(
        numbers=numbers,
        covariance=_covariance(aim, numbers),
        used=aim.used,
        curves=tuple(
            aim.curves(channel, numbers.log_f_number, numbers.spherical_um) for channel in range(3)
        ),
        fitted=np.where(aim.used[:, None, None], fitted, np.nan),
    )


def _left(aim: Agreement, numbers: LensNumbers) -> Doubles:
    """Return what is left of the curves, (blocks, channels, bands, frames)."""
    seen = aim.seen
    left = aim.residual(numbers)[: -len(seen.stops)].reshape(3, *seen.curves[:, GREEN].shape)
    weights = np.where(seen.weights > 0, seen.weights, np.nan)[..., None]
    return np.asarray(np.swapaxes(left, 0, 1) / weights)


def _reweighted(seen: ThroughFocus, left: Doubles) -> ThroughFocus:
    """Trust each band of a channel as far as the fit agrees with it.

    What one band has against all others, in all blocks, is no noise: the picture has been
    sharpened, or its detail is not the same in all frames.
    """
    squares, told = np.nan_to_num(np.square(left)), np.isfinite(left)
    count = np.maximum(told.sum(axis=(0, 3), keepdims=True), 1)
    fault = np.sqrt(squares.sum(axis=(0, 3), keepdims=True) / count)
    scatter = np.square(seen.scatter) + np.square(fault[..., 0])
    return replace(seen, weights=np.where(seen.weights > 0, 1 / np.sqrt(scatter), 0.0))


def _agreement(
    seen: ThroughFocus,
    numbers: LensNumbers,
    wavelengths_um: Sequence[tuple[float, ...]],
    pitch_um: float,
    *,
    channels: tuple[int, ...],
) -> Agreement:
    """Return what to agree with: of each block the frames that are near its focus."""
    blur = np.exp(numbers.log_blur) * np.abs(numbers.focus[:, None] - seen.stops)
    used = blur <= WIDEST_PX
    count = used.sum(axis=1)
    if np.mean(count >= _FEWEST) < 0.5:
        raise LensCalibrationError(
            f"the steps are too long: only {int(np.median(count))} frames are near enough to the "
            f"focus to tell, {_FEWEST} are needed; take shorter steps"
        )
    return Agreement(
        seen=seen,
        used=used & (count >= _FEWEST)[:, None],
        channels=channels,
        wavelengths_um=wavelengths_um,
        pitch_um=pitch_um,
    )


def _started(
    seen: ThroughFocus, wavelengths_um: Sequence[tuple[float, ...]], pitch_um: float
) -> LensNumbers:
    """Return first numbers: the best of several f-numbers, by a few blocks in green alone."""
    few = np.sort(np.argsort(-seen.weights[:, GREEN].sum(axis=1))[:_START_BLOCKS])
    part = replace(
        seen,
        centres_px=seen.centres_px[few],
        curves=seen.curves[few],
        weights=seen.weights[few],
        scatter=seen.scatter[few],
        start=seen.start[few],
    )
    even = pitch_um / float(np.mean(wavelengths_um[GREEN]))
    tried = []
    for factor in _STARTS:
        numbers = LensNumbers(
            log_f_number=float(np.log(factor * even)),
            log_blur=float(np.log(seen.blur_px)),
            spherical_um=0.0,
            colour=np.zeros(3),
            offset=np.zeros(len(seen.stops)),
            focus=part.start,
        )
        aim = _agreement(part, numbers, wavelengths_um, pitch_um, channels=(GREEN,))
        numbers = _solved(aim, numbers, held=(LensNumbers.SPHERICAL, *_COLOURS), done=1e-4)
        tried.append((float(np.square(aim.residual(numbers)).sum()), numbers))
    best = min(tried, key=lambda pair: pair[0])[1]
    focus = seen.start.copy()
    focus[few] = best.focus
    return replace(best, focus=focus)


_COLOURS = (LensNumbers.RED, LensNumbers.BLUE)


def _solved(
    aim: Agreement, numbers: LensNumbers, *, held: Sequence[int], done: float
) -> LensNumbers:
    """Return the numbers of the least squares (Levenberg and Marquardt), some of them held."""
    free = np.delete(np.arange(len(numbers.vector())), held)
    left, damping = aim.residual(numbers), _DAMPING
    for _ in range(_ROUNDS):
        slopes = aim.jacobian(numbers)[:, free]
        normal, downhill = slopes.T @ slopes, -slopes.T @ left
        # A block that tells nothing would make it singular.
        size = np.diag(np.maximum(np.diag(normal), 1e-9))
        cost, gain = float(left @ left), 0.0
        while damping < 1e6:
            step = np.zeros(len(numbers.vector()))
            step[free] = np.linalg.solve(normal + damping * size, downhill)
            # A start may be far off; no number of the lens goes farther than this at once.
            step[: LensNumbers.RED] = np.clip(step[: LensNumbers.RED], -0.4, 0.4)
            new = numbers.moved(step)
            ahead = aim.residual(new)
            gain = cost - float(ahead @ ahead)
            if gain > 0:
                numbers, left, damping = new, ahead, damping / 10
                break
            damping = max(damping, 1e-6) * 10
        if gain <= done * cost:
            break
    return numbers


def _covariance(aim: Agreement, numbers: LensNumbers) -> Doubles:
    """Return the covariance of the numbers: how blocks disagree, and what all may share.

    The first is the sandwich of a sum over clusters (Liang and Zeger, Biometrika 73, 13, 1986). The
    second takes what is left of a band's curves for a fault that all blocks have in common: they
    tell no more of it than one of them does. Where diffraction hardly shows that is much more.
    Frames stand off their places as far as they were found to.
    """
    blocks, frames = len(numbers.focus), len(numbers.offset)
    slopes, left = aim.jacobian(numbers)[:-frames], aim.residual(numbers)[:-frames]
    told = slopes.T @ slopes
    places = np.zeros(len(told))
    places[LensNumbers.LENS : LensNumbers.LENS + frames] = 1
    strayed = max(float(np.sqrt(np.mean(np.square(numbers.offset)))), _LEAST_STRAY)
    placed = np.diag(places) / strayed**2
    pulls = slopes * left[:, None]
    pull = pulls.reshape(len(aim.channels), blocks, -1, len(told)).sum(axis=(0, 2))
    count = int(aim.used.any(axis=1).sum())
    meat = pull.T @ pull * count / max(count - 1, 1)
    bread = np.linalg.pinv(told + placed, hermitian=True)
    shared = np.linalg.pinv(told / count + placed, hermitian=True)
    return np.asarray(bread @ meat @ bread + shared)
