"""Registration of two pictures of one subject: phase correlation, then Gauss-Newton.

The Gauss-Newton step explains one picture by the other through a plane transform, a contrast, an
offset and a difference in blur. With free contrast and offset this has the same minimum as the
enhanced correlation coefficient (G. D. Evangelidis and E. Z. Psarakis, IEEE Trans. Pattern
Analysis and Machine Intelligence 30, 1858, 2008); the step is the inverse compositional one
(S. Baker and I. Matthews, Int. J. Computer Vision 56, 221, 2004). Huber weights keep what shows
in only one of the two from pulling.

Pictures must be in linear light: defocus spreads light symmetrically, but in an encoded picture
the middle of a blurred edge moves to its dark side, by up to a third of the blur.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import fft, ndimage
from skimage.registration import phase_cross_correlation

from ....ground.types import Bools, Doubles, Floats
from ..picture.geometry import Matrix, displacement, for_binned, for_full, inside, similarity
from ..picture.stack import binned

# Directions in which a transform can change, as 3 x 3 generators in centred coordinates.
_SHIFT_X = np.array([[0, 0, 1], [0, 0, 0], [0, 0, 0]], dtype=float)
_SHIFT_Y = np.array([[0, 0, 0], [0, 0, 1], [0, 0, 0]], dtype=float)
_SCALE = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 0]], dtype=float)
_TURN = np.array([[0, -1, 0], [1, 0, 0], [0, 0, 0]], dtype=float)
_STRETCH = np.array([[1, 0, 0], [0, -1, 0], [0, 0, 0]], dtype=float)
_SHEAR = np.array([[0, 1, 0], [1, 0, 0], [0, 0, 0]], dtype=float)
MODELS = {
    "translation": (_SHIFT_X, _SHIFT_Y),
    "similarity": (_SHIFT_X, _SHIFT_Y, _SCALE, _TURN),
    "affine": (_SHIFT_X, _SHIFT_Y, _SCALE, _TURN, _STRETCH, _SHEAR),
}
# Expected size of everything but the shift between two frames of a burst: a per cent of scale,
# ten milliradians. A weak pull, felt only where the picture itself says little.
PRIOR_SD = 0.01
# No level of the pyramid has a shorter side than this, px.
_SMALLEST_SIDE = 40
# Sigmas of the two Gaussians whose difference is the band, px.
_BAND = (1.0, 8.0)
# Residuals above this many standard deviations weigh less: 95 % efficient on normal noise (P. J.
# Huber, Robust Statistics, 1981; from memory).
_HUBER = 1.345
# Steps end when no corner moves by more than this, or after so many.
_DONE_PX = 0.005
_STEPS = 20
# Only the steepest part of each cell is used: the rest says little of a motion, and costs time.
_CELLS = 8
_STEEPEST = 0.3
# Shifts are tried that give maxima this far apart, and this high against the highest.
_APART_PX = 8
_NEARLY = 0.4
_SHIFTS = 5


class RegistrationError(ValueError):
    """Two pictures could not be brought onto each other."""


@dataclass(frozen=True, eq=False, slots=True)
class Registration:
    """How one picture lies on another.

    Parameters
    ----------
    matrix : array (3, 3)
        Takes (x, y) in the reference to (x, y) in the moving picture.
    correlation : float
        Correlation of the two band-passed pictures where both show structure, -1..1, the
        difference in blur taken into account; -1 where they do not overlap.
    """

    matrix: Matrix
    correlation: float


def translation(reference: Floats, moving: Floats, *, upsample: int = 20) -> Matrix:
    """Find the shift between two pictures: whole pixels by phase correlation, then finer.

    The fraction comes from the plain correlation of the two band-passed pictures, cut to what
    both show: in the phase alone the noise of the highest frequencies counts as much as all else,
    and pulls the fraction by a tenth of a pixel.

    Parameters
    ----------
    reference, moving : array (rows, cols) of float32
    upsample : int
        Fineness of the fraction, 1/px; 1 leaves whole pixels.
    """
    whole = _correlated(reference - reference.mean(), moving - moving.mean(), 1, "phase")
    if upsample == 1:
        return whole
    x, y = np.rint(whole[:2, 2]).astype(int)
    height, width = reference.shape
    ours = np.s_[max(0, -y) : min(height, height - y), max(0, -x) : min(width, width - x)]
    theirs = np.s_[max(0, y) : min(height, height + y), max(0, x) : min(width, width + x)]
    rest = _correlated(band_pass(reference[ours]), band_pass(moving[theirs]), upsample, None)
    rest[:2, 2] += (x, y)
    return rest


def _correlated(
    reference: Floats, moving: Floats, upsample: int, normalization: str | None
) -> Matrix:
    window = np.outer(*(np.hanning(size + 2)[1:-1] for size in reference.shape))
    shift, _, _ = phase_cross_correlation(
        reference * window, moving * window, upsample_factor=upsample, normalization=normalization
    )
    matrix = np.eye(3)
    matrix[:2, 2] = -shift[::-1]
    return matrix


class CrossCorrelation:
    """Correlation of pictures of one size over all whole shifts of one against another.

    Parameters
    ----------
    bands : array (pictures, rows, cols) of float32
        Band-passed.

    Attributes
    ----------
    bands : array (pictures, rows, cols) of float32
        Each less its mean.
    """

    def __init__(self, bands: Floats) -> None:
        self.bands = bands - bands.mean(axis=(1, 2), keepdims=True)
        # Room for every shift: the pictures do not come round at the other side.
        self._size = tuple(fft.next_fast_len(2 * side, real=True) for side in bands.shape[1:])
        self._spectra = fft.rfft2(self.bands, self._size)

    def surfaces(self, first: int, others: slice) -> Floats:
        """Return sums of products of one picture with others, over the place in a surface."""
        product = np.conj(self._spectra[first]) * self._spectra[others]
        return np.asarray(fft.irfft2(product, self._size))

    def shift(self, row: int, column: int) -> tuple[int, int]:
        """Return for which shift (x, y) of the first against the other a place stands."""
        y, x = (
            place - side if place > side / 2 else place
            for place, side in zip((row, column), self._size, strict=True)
        )
        return x, y


def likely_shifts(reference: BandPassed, moving: BandPassed) -> list[Matrix]:
    """Return shifts at which two pictures may lie on each other, the likeliest first.

    The one at which their phases meet, and those at which they correlate nearly as well as at the
    best: several, where the subject has a pattern that repeats.
    """
    first, second = (picture.bands[0] for picture in (reference, moving))
    if not (first.any() and second.any()):
        return []
    pair = CrossCorrelation(np.stack([first, second]))
    (surface,) = pair.surfaces(0, slice(1, None))
    highest = surface == ndimage.maximum_filter(surface, 2 * _APART_PX + 1, mode="wrap")
    rows, columns = np.nonzero(highest & (surface > _NEARLY * surface.max()))
    places = np.argsort(-surface[rows, columns])[:_SHIFTS]
    shifts = (pair.shift(*place) for place in zip(rows[places], columns[places], strict=True))
    surest = _correlated(first, second, 1, "phase")
    return [surest, *(similarity(x=x, y=y) for x, y in shifts)]


class BandPassed:
    """A picture made ready for registration: band-passed, from fine to coarse.

    Parameters
    ----------
    image : array (rows, cols) of float32
        Grey, in linear light.
    """

    def __init__(self, image: Floats) -> None:
        self.shape: tuple[int, int] = image.shape
        levels = max(1, int(np.log2(max(1, min(self.shape) / _SMALLEST_SIDE))) + 1)
        self.bands = [band_pass(binned(image, 1 << level)) for level in range(levels)]
        self._problems: dict[tuple[int, str, float], _Problem] = {}

    def problem(self, level: int, model: str, prior_sd: float) -> _Problem:
        """Return the problem of explaining other pictures by a level of this one, made once."""
        key = level, model, prior_sd
        if key not in self._problems:
            self._problems[key] = _Problem(self.bands[level], model, prior_sd)
        return self._problems[key]

    @cached_property
    def spline(self) -> Floats:
        """Cubic spline coefficients of the finest level."""
        return ndimage.spline_filter(self.bands[0], 3, output=np.float32)


def register(
    reference: Floats | BandPassed,
    moving: Floats | BandPassed,
    *,
    model: str = "similarity",
    start: Matrix | None = None,
    prior_sd: float = PRIOR_SD,
) -> Registration:
    """Bring one picture onto another, from coarse to fine.

    Parameters
    ----------
    reference, moving : array (rows, cols) of float32, or BandPassed
        Grey pictures in linear light; gain and offset between them do not matter.
    model : {"translation", "similarity", "affine"}
    start : array (3, 3), optional
        First guess; otherwise the better of no motion and phase correlation.
    prior_sd : float
        Expected size of the change of scale, rotation and shape.

    Raises
    ------
    ValueError
        Unknown model, or pictures of different size.
    """
    if model not in MODELS:
        raise ValueError(f"model is {model!r}, allowed: {', '.join(MODELS)}")
    if reference.shape != moving.shape:
        raise ValueError(f"pictures differ in size: {reference.shape} and {moving.shape}")
    first = reference if isinstance(reference, BandPassed) else BandPassed(reference)
    second = moving if isinstance(moving, BandPassed) else BandPassed(moving)
    found = [Registration(matrix, 0.0) for matrix in _starts(first, second, start)]
    for level in reversed(range(len(first.bands))):
        size = 1 << level
        problem = first.problem(level, model, prior_sd)
        surface = second.bands[level] if level else second.spline
        fits = [
            problem.solve(surface, for_binned(fit.matrix, size), order=1 if level else 3)
            for fit in found
        ]
        best = max(fits, key=lambda fit: fit.correlation)
        found = [Registration(for_full(best.matrix, size), best.correlation)]
    return found[0]


def _starts(reference: BandPassed, moving: BandPassed, start: Matrix | None) -> list[Matrix]:
    if start is not None:
        return [start]
    shift = translation(reference.bands[-1], moving.bands[-1], upsample=1)
    return [np.eye(3), for_full(shift, 1 << (len(reference.bands) - 1))]


def band_pass(image: Floats) -> Floats:
    """Take away what is finer than about a pixel and coarser than about eight."""
    fine, coarse = (ndimage.gaussian_filter(image, sigma, mode="nearest") for sigma in _BAND)
    return fine - coarse


class _Problem:
    """The least-squares problem of one level: explain another picture by `reference`."""

    def __init__(self, reference: Floats, model: str, prior_sd: float) -> None:
        self.shape = reference.shape
        self.directions = MODELS[model]
        height, width = self.shape
        self.half = np.hypot(height, width) / 2
        self.centre = np.array([(width - 1) / 2, (height - 1) / 2])
        down, right = (np.asarray(slope) for slope in np.gradient(reference))
        self.rows, self.columns = np.nonzero(_steepest(down**2 + right**2))
        x = ((self.columns - self.centre[0]) / self.half).astype(np.float32)
        y = ((self.rows - self.centre[1]) / self.half).astype(np.float32)
        slopes = (right[self.rows, self.columns], down[self.rows, self.columns])
        value = reference[self.rows, self.columns]
        bend = ndimage.laplace(reference)[self.rows, self.columns]
        # A difference in blur is, to first order, a multiple of the second derivative. Depth
        # changes over the picture, so the multiple may change linearly.
        self.explained = np.stack(
            [self._change(direction, slopes, x, y) for direction in self.directions]
            + [value, np.ones_like(value), bend, bend * x, bend * y]
        )
        free = [direction is _SHIFT_X or direction is _SHIFT_Y for direction in self.directions]
        self.prior = np.where(free, 0.0, (prior_sd * self.half) ** -2.0)

    @staticmethod
    def _change(direction: Matrix, slopes: tuple[Floats, Floats], x: Floats, y: Floats) -> Floats:
        """Return how the reference changes along one direction, per pixel of displacement."""
        along = [row[0] * x + row[1] * y + row[2] for row in direction[:2]]
        return np.asarray(slopes[0] * along[0] + slopes[1] * along[1], dtype=np.float32)

    def solve(self, surface: Floats, matrix: Matrix, *, order: int) -> Registration:
        """Repeat Gauss-Newton steps until nothing moves.

        Parameters
        ----------
        surface : array (rows, cols) of float32
            The moving picture, or for order 3 its spline coefficients.
        """
        correlation = -1.0
        for _ in range(_STEPS):
            step, correlation = self._step(matrix, surface, order)
            moved = matrix @ step
            done = displacement(moved, matrix, self.shape) < _DONE_PX
            matrix = moved
            if done:
                break
        return Registration(matrix, correlation)

    def _step(self, matrix: Matrix, surface: Floats, order: int) -> tuple[Matrix, float]:
        """Return the transform to put first, and how well the pictures agreed before it."""
        x, y, _ = matrix @ np.stack([self.columns, self.rows, np.ones_like(self.rows)])
        seen_at = inside(y, x, self.shape)
        if seen_at.sum() < max(50, 0.1 * seen_at.size):
            return np.eye(3), -1.0
        seen = ndimage.map_coordinates(
            surface, [y[seen_at], x[seen_at]], order=order, mode="nearest", prefilter=False
        )
        explained = self.explained[:, seen_at]
        amounts = self._fit(explained, seen, np.ones_like(seen))
        residual = seen - amounts @ explained
        noise = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
        weight = np.minimum(1, _HUBER * noise / (np.abs(residual) + 1e-12)).astype(np.float32)
        amounts = self._fit(explained, seen, weight, noise)
        count = len(self.directions)
        model = amounts[count:] @ explained[count:]
        contrast = amounts[count] if amounts[count] > 1e-6 else np.inf
        return self._transform(-amounts[:count] / contrast), _correlation(model, seen)

    def _fit(
        self, explained: Floats, seen: Floats, weight: Floats, noise: float | None = None
    ) -> Doubles:
        """Weighted least squares, with the prior when the noise is known."""
        weighted = explained * weight
        normal = (weighted @ explained.T).astype(float)
        count = len(self.directions)
        if noise is not None:
            # Band-passed values are alike over some pixels, so they are fewer independent facts.
            facts_per_value = _STEEPEST / (4 * np.pi * _BAND[0] ** 2)
            normal[np.diag_indices(count)] += self.prior * noise**2 / facts_per_value
        normal[np.diag_indices_from(normal)] *= 1 + 1e-7
        normal[np.diag_indices_from(normal)] += 1e-20
        return np.linalg.solve(normal, (weighted @ seen).astype(float))

    def _transform(self, amounts: Doubles) -> Matrix:
        """Turn amounts in pixels of displacement into a transform about the centre."""
        per_px = np.array([1 / self.half, 1 / self.half, 1.0])
        small = np.eye(3)
        for amount, direction in zip(amounts, self.directions, strict=True):
            small += amount * direction * per_px
        to_centre = np.eye(3)
        to_centre[:2, 2] = -self.centre
        return np.linalg.inv(to_centre) @ small @ to_centre


def _steepest(steepness: Floats) -> Bools:
    """Mark the steepest share of each cell, so that no part of the picture is left out."""
    chosen = np.zeros(steepness.shape, dtype=bool)
    for rows in np.array_split(np.arange(steepness.shape[0]), _CELLS):
        for columns in np.array_split(np.arange(steepness.shape[1]), _CELLS):
            cell = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
            count = int((1 - _STEEPEST) * steepness[cell].size)
            chosen[cell] = steepness[cell] >= np.partition(steepness[cell], count, axis=None)[count]
    return chosen


def _correlation(first: Floats, second: Floats) -> float:
    spread = float(first.std() * second.std())
    return float(((first - first.mean()) * (second - second.mean())).mean() / (spread + 1e-20))
