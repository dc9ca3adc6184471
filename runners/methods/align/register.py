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

from ....ground.types import Bools, Doubles, Floats, Reals
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
# With less contrast than this nothing moves; of fewer places, too little is seen.
_FLAT, _LEAST_PLACES = 1e-6, 50
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
        centre = ((width - 1) / 2, (height - 1) / 2)
        down, right = (np.asarray(slope) for slope in np.gradient(reference))
        rows, columns = np.nonzero(_steepest(down**2 + right**2))
        self.places = np.stack([columns, rows, np.ones_like(rows)]).astype(float)
        x = ((columns - centre[0]) / self.half).astype(np.float32)
        y = ((rows - centre[1]) / self.half).astype(np.float32)
        slopes = (right[rows, columns], down[rows, columns])
        value = reference[rows, columns]
        bend = ndimage.laplace(reference)[rows, columns]
        # A difference in blur is, to first order, a multiple of the second derivative. Depth
        # changes over the picture, so the multiple may change linearly. Place after place, as they
        # are picked.
        self.explaining = np.stack(
            [self._change(direction, slopes, x, y) for direction in self.directions]
            + [value, np.ones_like(value), bend, bend * x, bend * y],
            axis=1,
        )
        self.diagonal = np.diag_indices(self.explaining.shape[1])
        free = [direction is _SHIFT_X or direction is _SHIFT_Y for direction in self.directions]
        self.prior = np.where(free, 0.0, (prior_sd * self.half) ** -2.0)
        self.to_centre = similarity(x=-centre[0], y=-centre[1])
        self.from_centre = np.linalg.inv(self.to_centre)

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
        part = fit = None
        for _ in range(_STEPS):
            x, y, _ = matrix @ self.places
            there = inside(y, x, self.shape)
            if part is None or not np.array_equal(there, part.there):
                part = self._part(there)
            fit = None
            if len(part.explaining) < max(_LEAST_PLACES, 0.1 * there.size):
                break
            seen = ndimage.map_coordinates(
                surface, [y[there], x[there]], order=order, mode="nearest", prefilter=False
            )
            fit = self._fit(part, seen)
            moved = matrix @ self._transform(fit)
            done = displacement(moved, matrix, self.shape) < _DONE_PX
            matrix = moved
            if done:
                break
        return Registration(matrix, -1.0 if fit is None else fit.correlation(len(self.directions)))

    def _part(self, there: Bools) -> _Part:
        """Return what explains the places that are seen."""
        explaining = np.take(self.explaining, np.flatnonzero(there), axis=0)
        # Of a copy: a product of one array with itself is worked out otherwise, and rounds so.
        return _Part(there, explaining, explaining.copy().T @ explaining)

    def _fit(self, part: _Part, seen: Floats) -> _Fit:
        """Weighted least squares, where what all but agrees counts in full."""
        explaining = part.explaining
        amounts = self._solved(part.normal, explaining.T @ seen)
        residual = np.abs(seen - amounts @ explaining.T)
        noise = 1.4826 * float(np.median(residual)) + 1e-9
        weight = np.minimum(1, _HUBER * noise / (residual + 1e-12)).astype(np.float32)
        weighted = explaining * weight[:, None]
        amounts = self._solved(weighted.T @ explaining, weighted.T @ seen, noise)
        return _Fit(amounts, explaining, seen)

    def _solved(self, normal: Reals, seen: Reals, noise: float | None = None) -> Doubles:
        """Solve normal equations, with the prior when the noise is known."""
        normal = normal.astype(float)
        if noise is not None:
            # Band-passed values are alike over some pixels, so they are fewer independent facts.
            facts_per_value = _STEEPEST / (4 * np.pi * _BAND[0] ** 2)
            turned = tuple(at[: len(self.directions)] for at in self.diagonal)
            normal[turned] += self.prior * noise**2 / facts_per_value
        normal[self.diagonal] *= 1 + 1e-7
        normal[self.diagonal] += 1e-20
        return np.linalg.solve(normal, seen.astype(float))

    def _transform(self, fit: _Fit) -> Matrix:
        """Turn amounts in pixels of displacement into a transform about the centre."""
        count = len(self.directions)
        contrast = fit.amounts[count] if fit.amounts[count] > _FLAT else np.inf
        per_px = np.array([1 / self.half, 1 / self.half, 1.0])
        small = np.eye(3)
        for amount, direction in zip(-fit.amounts[:count] / contrast, self.directions, strict=True):
            small += amount * direction * per_px
        return self.from_centre @ small @ self.to_centre


@dataclass(frozen=True, eq=False, slots=True)
class _Part:
    """The places that are seen, which stay the same for many steps.

    Parameters
    ----------
    there : array (places,) of bool
        Which of all those chosen.
    explaining : array (places, things that explain) of float32
    normal : array (things that explain, things that explain) of float32
        Sums of their products, all places counting alike.
    """

    there: Bools
    explaining: Floats
    normal: Floats


@dataclass(frozen=True, eq=False, slots=True)
class _Fit:
    """How one picture was explained by another.

    Parameters
    ----------
    amounts : array (things that explain,)
        Those of a change of the transform, then contrast, offset and what a blur changes.
    explaining : array (places, things that explain) of float32
    seen : array (places,) of float32
    """

    amounts: Doubles
    explaining: Floats
    seen: Floats

    def correlation(self, first: int) -> float:
        """Return how well all from the ``first`` amount on, so without motion, explain it."""
        return _correlation(self.amounts[first:] @ self.explaining.T[first:], self.seen)


def _steepest(steepness: Floats) -> Bools:
    """Mark the steepest share of each cell, so that no part of the picture is left out."""
    chosen = np.zeros(steepness.shape, dtype=bool)
    for rows in np.array_split(np.arange(steepness.shape[0]), _CELLS):
        for columns in np.array_split(np.arange(steepness.shape[1]), _CELLS):
            cell = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
            count = int((1 - _STEEPEST) * steepness[cell].size)
            chosen[cell] = steepness[cell] >= np.partition(steepness[cell], count, axis=None)[count]
    return chosen


def _correlation(first: Doubles, second: Floats) -> float:
    spread = float(first.std() * second.std())
    return float(((first - first.mean()) * (second - second.mean())).mean() / (spread + 1e-20))
