"""Shift, turn and scale between two pictures: measured to a thousandth of a pixel, and removed.

Pixel (0, 0) has its centre at (0.5, 0.5); x goes right, y goes down. A similarity says where the
detail of a place in the reference is found in the result: the vector from the centre of the
picture is scaled and turned, then shifted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import affine_transform, gaussian_filter, laplace, spline_filter

from ...ground.srgb import luma
from ...ground.types import Bools, Doubles, Floats
from ..checks import as_mask, require_same_shape, unit_image
from ..image.structure import halve

MAX_SHIFT_SHARE = 0.05  # of the shorter side: more is not a residual
MAX_TURN_MRAD = 50.0
MAX_SCALE_CHANGE = 0.05
_PRESMOOTH_PX = 1.0
_COARSEST_PX = 48  # no pyramid level has a shorter side than this
_FINEST_PIXELS = 250_000  # more pixels than these make the fit slower, hardly better
_STEPS = (12, 6)  # at most, at coarse levels and at the finest
_MIN_PIXELS = 100
_NO_SLOPE = 1e-12  # mean square slope per px below which nothing moves visibly
_STILL_PX = 1e-4  # a step that moves no pixel farther than this ends a level
_SPLINE_ORDER = 5  # of the final resampling, which should cost the result no sharpness


@dataclass(frozen=True, slots=True, kw_only=True)
class Similarity:
    """Where the detail of a reference is found in a result.

    Parameters
    ----------
    shift_x_px, shift_y_px : float
        Shift of the middle of the picture, to the right and down.
    turn_mrad : float
        Turn about the middle; positive is clockwise as seen.
    scale : float
        Size in the result over size in the reference.
    """

    shift_x_px: float = 0.0
    shift_y_px: float = 0.0
    turn_mrad: float = 0.0
    scale: float = 1.0

    def matrix(self) -> Doubles:
        """Matrix, 2 x 2, on vectors (x, y) from the middle."""
        turn = self.turn_mrad * 1e-3
        cosine, sine = self.scale * math.cos(turn), self.scale * math.sin(turn)
        return np.array([[cosine, -sine], [sine, cosine]])

    def motion_px(self, shape: tuple[int, ...]) -> Doubles:
        """Displacement (x, y) at every pixel of a picture, shape (H, W, 2)."""
        height, width = shape[:2]
        x = np.arange(width) + 0.5 - width / 2
        y = np.arange(height) + 0.5 - height / 2
        place = np.stack(np.meshgrid(x, y), axis=-1)
        return place @ (self.matrix() - np.eye(2)).T + (self.shift_x_px, self.shift_y_px)

    def residual_px(self, shape: tuple[int, ...]) -> float:
        """RMS displacement over a picture of this shape, px."""
        height, width = shape[:2]
        change = self.matrix() - np.eye(2)
        # Mean square of a pixel centre's distance from the middle, along x and along y.
        spread_x, spread_y = (width**2 - 1) / 12, (height**2 - 1) / 12
        moved = (change[:, 0] ** 2).sum() * spread_x + (change[:, 1] ** 2).sum() * spread_y
        return math.sqrt(self.shift_x_px**2 + self.shift_y_px**2 + moved)


IDENTITY = Similarity()


def fit_similarity(
    result: npt.ArrayLike,
    reference: npt.ArrayLike,
    *,
    data_range: float,
    mask: npt.ArrayLike | None = None,
) -> Similarity:
    """Measure a small shift, turn and scale of a result against its reference.

    Phase correlation finds the shift to start from; robust Gauss-Newton steps on luma over a
    pyramid refine it together with turn, scale, and a gain and offset that are thrown away.

    Parameters
    ----------
    result, reference : array_like
        Shape (H, W) or (H, W, 3), sRGB-encoded, finite.
    data_range : float
        The value of white in both.
    mask : array_like, optional
        Pixels of the reference to trust.

    Returns
    -------
    Similarity
        Exactly `IDENTITY` for equal images; also where there is nothing to measure, where the fit
        would be beyond a residual (5 % of the shorter side, 50 mrad, 5 % of scale), and where it
        would not bring the two nearer than they are.
    """
    planes = [
        luma(unit_image(image, data_range=data_range, name=name))
        for image, name in ((result, "result"), (reference, "reference"))
    ]
    require_same_shape(result=planes[0], reference=planes[1])
    trusted = as_mask(mask, planes[0].shape)
    if np.array_equal(planes[0], planes[1]):
        return IDENTITY
    return _fit(planes[0], planes[1], trusted)


def resample(image: npt.ArrayLike, similarity: Similarity) -> tuple[Floats, Bools]:
    """Bring a result to the geometry of its reference.

    Parameters
    ----------
    image : array_like
        Shape (H, W) or (H, W, 3), finite, any range.
    similarity : Similarity
        Where the reference's detail is found in the image.

    Returns
    -------
    resampled : array of float32
        Same shape; fifth-order spline, the edge repeated outside.
    inside : array of bool
        Shape (H, W): the pixels that come from inside the image.
    """
    values = np.asarray(image, dtype=np.float32)
    inside = _inside(similarity, values.shape)
    if similarity == IDENTITY:
        return values.copy(), inside
    planes = values[..., None] if values.ndim == 2 else values
    moved = np.empty_like(planes)
    for channel in range(planes.shape[2]):
        moved[..., channel] = _sample(planes[..., channel], similarity, order=_SPLINE_ORDER)
    return moved.reshape(values.shape), inside


def _fit(result: Floats, reference: Floats, trusted: Bools) -> Similarity:
    levels = _pyramid(result, reference, trusted)
    shape = result.shape
    start = _coarse_shift(*levels[-1])
    fitted = IDENTITY
    for number, level in reversed(list(enumerate(levels))):
        zoom = shape[1] / level[0].shape[1]
        fit = _Level(*level)
        if number == len(levels) - 1 and fit.cost(start) < fit.cost(IDENTITY):
            fitted = _rescaled(start, zoom)
        fitted = _rescaled(fit.refine(_rescaled(fitted, 1 / zoom), _STEPS[number == 0]), zoom)
        if not _is_residual(fitted, shape):
            return IDENTITY
    nearer = fit.cost(_rescaled(fitted, 1 / zoom)) < fit.cost(IDENTITY)
    return fitted if nearer else IDENTITY


def _pyramid(
    result: Floats, reference: Floats, trusted: Bools
) -> list[tuple[Floats, Floats, Floats]]:
    """Planes and weights from fine to coarse, even-sized about the same middle."""
    planes = (result, reference, trusted.astype(np.float32))
    levels = []
    while True:
        if planes[0].size <= _FINEST_PIXELS:
            levels.append(planes)
        if min(planes[0].shape) < 2 * _COARSEST_PX:
            return levels or [planes]
        first, second, weight = (halve(_even(plane)) for plane in planes)
        planes = (first, second, np.floor(weight))  # trusted only where all four are


def _even(plane: Floats) -> Floats:
    """Cut a last odd row or column; the middle moves by half a pixel in both planes."""
    rows, columns = (size // 2 * 2 for size in plane.shape)
    return plane[:rows, :columns]


def _coarse_shift(result: Floats, reference: Floats, weight: Floats) -> Similarity:
    """Shift by phase correlation, with a parabola through the peak."""
    window = np.outer(np.hanning(weight.shape[0] + 2)[1:-1], np.hanning(weight.shape[1] + 2)[1:-1])
    first, second = (fft.rfft2((plane - plane.mean()) * window) for plane in (result, reference))
    cross = first * np.conj(second)
    cross /= np.maximum(np.abs(cross), 1e-12 * max(1.0, float(np.abs(cross).max())))
    surface = gaussian_filter(fft.irfft2(cross, s=weight.shape), 1.0, mode="wrap")
    row, column = np.unravel_index(int(np.argmax(surface)), surface.shape)
    shift_y = _peak(surface[:, column], int(row))
    shift_x = _peak(surface[row, :], int(column))
    return Similarity(shift_x_px=shift_x, shift_y_px=shift_y)


def _peak(line: Doubles, index: int) -> float:
    """Place of the peak of a periodic line, between its samples, signed."""
    before, at, after = line[index - 1], line[index], line[(index + 1) % line.size]
    curvature = before - 2.0 * at + after
    fraction = 0.5 * (before - after) / curvature if curvature < 0 else 0.0
    place = index + fraction
    return float(place if place <= line.size / 2 else place - line.size)


class _Level:
    """One level of the pyramid, ready for Gauss-Newton steps."""

    def __init__(self, result: Floats, reference: Floats, weight: Floats) -> None:
        smooth = gaussian_filter(result, _PRESMOOTH_PX)
        self.spline = spline_filter(smooth, order=3, output=np.float32)
        self.reference = gaussian_filter(reference, _PRESMOOTH_PX)
        self.slopes = np.gradient(self.reference)
        self.blur = laplace(self.reference)
        self.weight = weight
        height, width = reference.shape
        self.unit = 0.5 * math.hypot(height, width)  # px at which a turn of 1 rad moves 1 unit
        self.x = ((np.arange(width) + 0.5 - width / 2) / self.unit).astype(np.float32)[None, :]
        self.y = ((np.arange(height) + 0.5 - height / 2) / self.unit).astype(np.float32)[:, None]

    def warped(self, similarity: Similarity) -> tuple[Floats, Bools]:
        """Give the result in the reference's geometry, and where it can be compared."""
        inside = _inside(similarity, self.reference.shape, margin_px=2.0) & (self.weight > 0)
        return _sample(self.spline, similarity, order=3, prefilter=False), inside

    def cost(self, similarity: Similarity) -> float:
        """Trimmed mean of the absolute difference after the best gain, offset and blur."""
        warped, inside = self.warped(similarity)
        if not inside.any():
            return math.inf
        error = np.abs(self._error(warped, inside)[inside])
        return float(np.minimum(error, 6.0 * np.median(error)).mean(dtype=np.float64))

    def refine(self, similarity: Similarity, steps: int) -> Similarity:
        """Gauss-Newton with Tukey weights until nothing moves."""
        for _ in range(steps):
            change = self._step(similarity)
            if change is None:
                break
            similarity = _composed(similarity, change)
            if change.residual_px(self.reference.shape) < _STILL_PX:
                break
        return similarity

    def _step(self, similarity: Similarity) -> Similarity | None:
        warped, inside = self.warped(similarity)
        if np.count_nonzero(inside) < _MIN_PIXELS:
            return None
        error = self._error(warped, inside)
        weight = _tukey(error, inside)
        columns = np.stack([*self._motion_columns(warped), *self._light_columns(warped)])
        columns = columns.reshape(len(columns), -1)
        normal, right = _normal_equations(columns, error.ravel(), weight.ravel())
        # A flat picture has no slope to measure a motion by.
        if np.linalg.eigvalsh(normal[:4, :4])[0] <= _NO_SLOPE * np.count_nonzero(inside):
            return None
        step = np.linalg.lstsq(normal, right)[0]
        return Similarity(
            shift_x_px=float(step[0]),
            shift_y_px=float(step[1]),
            scale=math.exp(step[2] / self.unit),
            turn_mrad=float(1e3 * step[3] / self.unit),
        )

    def _motion_columns(self, warped: Floats) -> list[Floats]:
        """Change of the warped picture per px of shift x, shift y, and growth, turn at a corner."""
        # The mean of both pictures' slopes makes each step of second order (Malis 2004).
        slope_y, slope_x = (
            np.float32(0.5) * (own + other)
            for own, other in zip(np.gradient(warped), self.slopes, strict=True)
        )
        growth = slope_x * self.x + slope_y * self.y
        turn = slope_y * self.x - slope_x * self.y
        return [slope_x, slope_y, growth, turn]

    def _light_columns(self, warped: Floats) -> list[Floats]:
        """Give what else may differ: gain, blur (to first order) and offset."""
        return [warped, self.blur, np.ones_like(warped)]

    def _error(self, warped: Floats, inside: Bools) -> Floats:
        """Subtract the warped result, under its best gain, blur and offset, from the reference."""
        columns = np.stack(self._light_columns(warped)).reshape(3, -1)
        target = self.reference.ravel()
        normal, right = _normal_equations(columns, target, inside.ravel().astype(np.float32))
        fit = np.linalg.lstsq(normal, right)[0].astype(np.float32)
        return (target - fit @ columns).reshape(warped.shape)


def _normal_equations(columns: Floats, target: Floats, weight: Floats) -> tuple[Doubles, Doubles]:
    """Weighted normal equations of target ~ fit @ columns, columns of shape (terms, pixels)."""
    weighted = columns * weight
    return (weighted @ columns.T).astype(np.float64), (weighted @ target).astype(np.float64)


def _tukey(error: Floats, inside: Bools) -> Floats:
    """Tukey's biweight at 4.685 robust standard deviations (Huber 1981); 0 outside."""
    values = error[inside]
    sample = np.abs(values[:: max(1, values.size // 50_000)])
    limit = np.float32(4.685 * 1.4826 * float(np.median(sample)) + 1e-7)
    kept = np.maximum(1.0 - np.square(error / limit), np.float32(0.0))
    return kept * kept * inside


def _composed(similarity: Similarity, step: Similarity) -> Similarity:
    """Add a step taken in the geometry of the warped picture."""
    shift = similarity.matrix() @ (step.shift_x_px, step.shift_y_px)
    return Similarity(
        shift_x_px=similarity.shift_x_px + float(shift[0]),
        shift_y_px=similarity.shift_y_px + float(shift[1]),
        scale=similarity.scale * step.scale,
        turn_mrad=similarity.turn_mrad + step.turn_mrad,
    )


def _rescaled(similarity: Similarity, zoom: float) -> Similarity:
    """Carry a motion to a picture with so many times the pixels along a side."""
    return Similarity(
        shift_x_px=similarity.shift_x_px * zoom,
        shift_y_px=similarity.shift_y_px * zoom,
        scale=similarity.scale,
        turn_mrad=similarity.turn_mrad,
    )


def _is_residual(similarity: Similarity, shape: tuple[int, ...]) -> bool:
    shift = math.hypot(similarity.shift_x_px, similarity.shift_y_px)
    return (
        shift <= MAX_SHIFT_SHARE * min(shape[:2])
        and abs(similarity.turn_mrad) <= MAX_TURN_MRAD
        and abs(similarity.scale - 1.0) <= MAX_SCALE_CHANGE
    )


def _sample(plane: Floats, similarity: Similarity, *, order: int, prefilter: bool = True) -> Floats:
    matrix, offset = _row_column(similarity, plane.shape)
    return affine_transform(
        plane, matrix, offset, order=order, mode="nearest", prefilter=prefilter, output=np.float32
    )


def _row_column(similarity: Similarity, shape: tuple[int, ...]) -> tuple[Doubles, Doubles]:
    """Matrix and offset that take (row, column) indices of the reference to the result's."""
    matrix = similarity.matrix()[::-1, ::-1]
    middle = (np.array(shape[:2]) - 1) / 2
    shift = np.array([similarity.shift_y_px, similarity.shift_x_px])
    return matrix, middle + shift - matrix @ middle


def _inside(similarity: Similarity, shape: tuple[int, ...], *, margin_px: float = 0.0) -> Bools:
    """Where the place in the result is on or between its pixel centres, less a margin."""
    height, width = shape[:2]
    matrix, offset = _row_column(similarity, shape)
    rows, columns = np.arange(height)[:, None], np.arange(width)[None, :]
    row = matrix[0, 0] * rows + matrix[0, 1] * columns + offset[0]
    column = matrix[1, 0] * rows + matrix[1, 1] * columns + offset[1]
    tight = 1e-6 - margin_px
    return (
        (row >= -tight) & (row <= height - 1 + tight)
        & (column >= -tight) & (column <= width - 1 + tight)
    )  # fmt: skip
