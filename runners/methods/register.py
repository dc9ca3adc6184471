"""Registration of two pictures of one subject: phase correlation, then Gauss-Newton.

The Gauss-Newton step minimises the difference of two band-passed pictures over a plane
transform, a contrast and an offset. With free contrast and offset this has the same minimum as
the enhanced correlation coefficient of Evangelidis and Psarakis (IEEE Trans. Pattern Analysis
and Machine Intelligence 30, 1858, 2008); Huber weights keep what is sharp in only one of the two
from pulling.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from skimage.registration import phase_cross_correlation

from runners.methods.geometry import Matrix, covered, displacement, for_binned, for_full, resample
from runners.methods.stack import binned
from runners.methods.tone import Floats

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
_SMALLEST_SIDE = 40
_BAND = (1.0, 8.0)
_HUBER = 1.345
_DONE_PX = 0.005


class RegistrationError(ValueError):
    """Two pictures could not be brought onto each other."""


@dataclass(frozen=True, eq=False, slots=True)
class Registration:
    """How one picture lies on another.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3)
        Takes (x, y) in the reference to (x, y) in the moving picture.
    correlation : float
        Correlation of the two band-passed pictures where both are defined, -1..1.
    """

    matrix: Matrix
    correlation: float


def translation(reference: Floats, moving: Floats, *, upsample: int = 20) -> Matrix:
    """Find the shift between two pictures by phase correlation, to 1/`upsample` px.

    Parameters
    ----------
    reference, moving : ndarray, shape (H, W), float32
    """
    window = np.outer(*(np.hanning(size + 2)[1:-1] for size in reference.shape))
    shift, _, _ = phase_cross_correlation(
        (reference - reference.mean()) * window,
        (moving - moving.mean()) * window,
        upsample_factor=upsample,
        normalization="phase",
    )
    matrix = np.eye(3)
    matrix[:2, 2] = -shift[::-1]
    return matrix


def register(
    reference: Floats,
    moving: Floats,
    *,
    model: str = "similarity",
    start: Matrix | None = None,
    prior_sd: float = PRIOR_SD,
) -> Registration:
    """Bring one picture onto another, from coarse to fine.

    Parameters
    ----------
    reference, moving : ndarray, shape (H, W), float32
        Grey pictures; gain and offset between them do not matter.
    model : {"translation", "similarity", "affine"}
    start : ndarray, shape (3, 3), optional
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
    levels = _level_count(reference.shape)
    pyramid = [
        (_band_pass(binned(reference, 1 << level)), _band_pass(binned(moving, 1 << level)))
        for level in range(levels)
    ]
    starts = [start] if start is not None else _starts(*pyramid[-1], levels - 1)
    found = [_refine(pyramid[-1], levels - 1, matrix, model, prior_sd) for matrix in starts]
    best = max(found, key=lambda fit: fit.correlation)
    for level in range(levels - 2, -1, -1):
        best = _refine(pyramid[level], level, best.matrix, model, prior_sd)
    return best


def _level_count(shape: tuple[int, ...]) -> int:
    return max(1, int(np.log2(max(1, min(shape) / _SMALLEST_SIDE))) + 1)


def _starts(reference: Floats, moving: Floats, level: int) -> list[Matrix]:
    return [np.eye(3), for_full(translation(reference, moving, upsample=1), 1 << level)]


def _band_pass(image: Floats) -> Floats:
    fine, coarse = (ndimage.gaussian_filter(image, sigma, mode="nearest") for sigma in _BAND)
    return fine - coarse


def _refine(
    pair: tuple[Floats, Floats], level: int, matrix: Matrix, model: str, prior_sd: float
) -> Registration:
    """Run Gauss-Newton on one level; matrices are of the finest level."""
    reference, moving = pair
    problem = _Problem(reference, moving, MODELS[model], prior_sd)
    own = for_binned(matrix, 1 << level)
    order = 3 if level == 0 else 1
    for _ in range(8 if level == 0 else 15):
        step = problem.step(own, order)
        moved = own @ step
        done = displacement(moved, own, reference.shape) < _DONE_PX
        own = moved
        if done:
            break
    return Registration(for_full(own, 1 << level), problem.correlation(own, order))


class _Problem:
    """The least-squares problem of one level."""

    def __init__(
        self, reference: Floats, moving: Floats, directions: tuple[Matrix, ...], prior_sd: float
    ) -> None:
        self.reference, self.moving = reference, moving
        height, width = reference.shape
        self.half = np.hypot(height, width) / 2
        self.centre = np.array([(width - 1) / 2, (height - 1) / 2])
        self.x = ((np.arange(width) - self.centre[0]) / self.half).astype(np.float32)[None, :]
        self.y = ((np.arange(height) - self.centre[1]) / self.half).astype(np.float32)[:, None]
        self.directions = directions
        free = [direction is _SHIFT_X or direction is _SHIFT_Y for direction in directions]
        self.prior = np.where(free, 0.0, (prior_sd * self.half) ** -2.0)
        self.slope = np.gradient(reference)

    def step(self, matrix: Matrix, order: int) -> Matrix:
        """Return the small transform that, put first, makes the two pictures more alike."""
        inside = covered(matrix, self.reference.shape)
        if inside.sum() < 0.1 * inside.size:
            return np.eye(3)
        seen = resample(self.moving, matrix, order=order)
        contrast, offset = _line(self.reference[inside], seen[inside])
        residual = (contrast * self.reference + offset - seen)[inside]
        noise = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
        weight = np.minimum(1, _HUBER * noise / (np.abs(residual) + 1e-12))
        columns = self._columns(seen, contrast, inside)
        weighted = columns * weight
        # Band-passed values are alike over some pixels' distance: so many fewer facts they are.
        trust = 1 / (noise**2 * 4 * np.pi * _BAND[0] ** 2)
        normal = trust * (weighted @ columns.T).astype(float)
        pull = trust * (weighted @ residual).astype(float)
        count = len(self.directions)
        normal[np.diag_indices(count)] += self.prior
        normal[np.diag_indices_from(normal)] += 1e-12 * np.trace(normal) + 1e-12
        return self._transform(np.linalg.solve(normal, pull)[:count])

    def _columns(
        self, seen: Floats, contrast: float, inside: npt.NDArray[np.bool_]
    ) -> npt.NDArray[np.float32]:
        """Change of the moving picture along each direction, then contrast and offset."""
        down, right = (
            0.5 * (contrast * own + other)
            for own, other in zip(self.slope, np.gradient(seen), strict=True)
        )
        rows = []
        for direction in self.directions:
            along_x = direction[0, 0] * self.x + direction[0, 1] * self.y + direction[0, 2]
            along_y = direction[1, 0] * self.x + direction[1, 1] * self.y + direction[1, 2]
            rows.append((right * along_x + down * along_y)[inside])
        rows.append(self.reference[inside])
        rows.append(np.ones_like(rows[0]))
        return np.stack(rows).astype(np.float32)

    def _transform(self, amounts: npt.NDArray[np.float64]) -> Matrix:
        """Turn amounts in the unit coordinates of the columns into a transform of pixels."""
        per_px = np.array([1 / self.half, 1 / self.half, 1.0])
        small = np.eye(3)
        for amount, direction in zip(amounts, self.directions, strict=True):
            small += amount * direction * per_px
        to_centre = np.eye(3)
        to_centre[:2, 2] = -self.centre
        return np.linalg.inv(to_centre) @ small @ to_centre

    def correlation(self, matrix: Matrix, order: int) -> float:
        """Return the correlation of the two pictures where both are defined."""
        inside = covered(matrix, self.reference.shape)
        if inside.sum() < 0.1 * inside.size:
            return -1.0
        seen = resample(self.moving, matrix, order=order)[inside]
        own = self.reference[inside]
        spread = float(own.std() * seen.std())
        return float(((own - own.mean()) * (seen - seen.mean())).mean() / (spread + 1e-12))


def _line(x: Floats, y: Floats) -> tuple[float, float]:
    """Return slope and offset of the least-squares line through points."""
    spread = float(x.var()) + 1e-12
    slope = float(((x - x.mean()) * (y - y.mean())).mean()) / spread
    return slope, float(y.mean()) - slope * float(x.mean())
