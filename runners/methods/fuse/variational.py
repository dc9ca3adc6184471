"""Depth by minimising a contrast term and the total variation; pixels taken by that depth."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import fft

from ....ground.types import Floats
from ....metrics.focus import MEASURES
from ..align.aligned import AlignedFrames
from ..picture.geometry import enlarged
from ..picture.stack import binned
from .focus_map import blended, fitting
from .fused import Fused

DEGREE = 8
SMOOTHNESS = 0.3
CELLS = 100_000
_WINDOW = 5
_ITERATIONS = 60
# Penalty of the splitting, and step of the data term; both in units where the median contrast
# of the sharpest frame is 1 and depth runs from -1 to 1.
_PENALTY = 2.0
_STEP = 0.05


def variational_depth(
    aligned: AlignedFrames, *, smoothness: float = SMOOTHNESS, degree: int = DEGREE
) -> Fused:
    """Find the depth that is sharp nearly everywhere and varies little, and take pixels by it.

    Minimises the sum over places of -contrast(depth) + `smoothness` |gradient of depth|. The
    contrast of a place is the modified Laplacian over the frames, fitted by a polynomial, so
    that only its coefficients are held and not the frames. The minimum is sought by the
    alternating direction method with the contrast linearised, starting from the polynomial's
    largest value. Worked on cells of a few pixels where the picture is large.

    References
    ----------
    M. Moeller, M. Benning, C. Schoenlieb and D. Cremers, "Variational depth from focus
    reconstruction", IEEE Trans. Image Processing 24, 5369 (2015). Modified Laplacian, polynomial
    of degree about 8, total variation and linearised splitting from memory; weights and the
    number of steps are choices made here.
    """
    count = len(aligned)
    size = max(1, int(np.ceil(np.sqrt(aligned.shape[0] * aligned.shape[1] / CELLS))))
    if count < 3:
        flat = np.full(aligned.shape, (count - 1) / 2, dtype=np.float32)
        return Fused(blended(aligned, flat), flat)
    curve = ContrastCurve(aligned, size, min(degree, count - 2))
    depth = minimised(curve.slope, curve.argmax(count), smoothness)
    in_frames = (0.5 * (count - 1) * (depth + 1)).astype(np.float32)
    position = enlarged(in_frames, size, aligned.shape)
    position = np.clip(position, 0, count - 1)
    return Fused(blended(aligned, position), position)


class ContrastCurve:
    """The contrast of every place as a polynomial of depth on -1..1 (Legendre series)."""

    def __init__(self, aligned: AlignedFrames, size: int, degree: int) -> None:
        count = len(aligned)
        at = np.linspace(-1, 1, count)
        basis = np.polynomial.legendre.legvander(at, degree)
        solve = np.linalg.pinv(basis).astype(np.float32)
        terms: Floats | None = None
        peak: Floats | None = None
        for index, frame in enumerate(aligned.greys()):
            sharp = MEASURES["lap2"](frame.image, window=fitting(_WINDOW, aligned.shape))
            sharp = sharp * frame.covered
            value = binned(sharp.astype(np.float32), size)
            term = solve[:, index, None, None] * value
            terms = term if terms is None else terms + term
            peak = value if peak is None else np.maximum(peak, value)
        if terms is None or peak is None:
            raise ValueError("no frame to find depth in")
        self.terms = terms / (np.float32(np.median(peak)) + np.float32(1e-12))
        self.slopes = np.polynomial.legendre.legder(self.terms, axis=0).astype(np.float32)

    def slope(self, depth: Floats) -> Floats:
        """Return the derivative of the contrast at a depth per place."""
        return _series(self.slopes, np.clip(depth, -1, 1))

    def argmax(self, count: int) -> Floats:
        """Return the depth of the largest contrast, on a grid four times finer than frames."""
        best = np.full(self.terms.shape[1:], -np.inf, dtype=np.float32)
        depth = np.zeros_like(best)
        for at in np.linspace(-1, 1, 4 * (count - 1) + 1):
            value = _series(self.terms, np.full_like(best, at))
            better = value > best
            depth[better], best[better] = at, value[better]
        return depth


def _series(terms: Floats, at: Floats) -> Floats:
    """Evaluate a Legendre series per place (Clenshaw)."""
    after, after_next = np.zeros_like(at), np.zeros_like(at)
    for order in range(len(terms) - 1, 0, -1):
        here = terms[order] + np.float32((2 * order + 1) / (order + 1)) * at * after
        here -= np.float32((order + 1) / (order + 2)) * after_next
        after, after_next = here, after
    return np.asarray(terms[0] + at * after - np.float32(0.5) * after_next)


def minimised(
    slope: Callable[[Floats], Floats],
    depth: Floats,
    smoothness: float,
    *,
    iterations: int = _ITERATIONS,
) -> Floats:
    """Minimise -contrast + smoothness * total variation by linearised splitting."""
    kernel = _laplacian_eigenvalues(depth.shape)
    auxiliary = _gradient(depth)
    dual = np.zeros_like(auxiliary)
    shrink_by = np.float32(smoothness / _PENALTY)
    for _ in range(iterations):
        pulled = depth / np.float32(_STEP) + slope(depth)
        right = pulled + np.float32(_PENALTY) * _divergence(dual - auxiliary)
        transformed = fft.dctn(right, norm="ortho")
        transformed /= np.float32(1 / _STEP) + np.float32(_PENALTY) * kernel
        depth = np.clip(fft.idctn(transformed, norm="ortho"), -1, 1)
        moved = _gradient(depth) + dual
        size = np.sqrt((moved**2).sum(axis=0)) + np.float32(1e-12)
        auxiliary = moved * np.maximum(1 - shrink_by / size, 0)
        dual = moved - auxiliary
    return np.asarray(depth, dtype=np.float32)


def _gradient(field: Floats) -> Floats:
    """Forward differences, zero at the far edge; shape (2, rows, cols)."""
    out = np.zeros((2, *field.shape), dtype=np.float32)
    out[0, :-1] = field[1:] - field[:-1]
    out[1, :, :-1] = field[:, 1:] - field[:, :-1]
    return out


def _divergence(field: Floats) -> Floats:
    """Minus the adjoint of `_gradient`."""
    out = np.zeros(field.shape[1:], dtype=np.float32)
    out[:-1] += field[0, :-1]
    out[1:] -= field[0, :-1]
    out[:, :-1] += field[1, :, :-1]
    out[:, 1:] -= field[1, :, :-1]
    return out


def _laplacian_eigenvalues(shape: tuple[int, ...]) -> Floats:
    """Eigenvalues of minus the Laplacian under the cosine transform."""
    rows, columns = (2 - 2 * np.cos(np.pi * np.arange(side) / side) for side in shape)
    return (rows[:, None] + columns[None, :]).astype(np.float32)
