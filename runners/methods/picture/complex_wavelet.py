"""A two-dimensional wavelet transform with the symmetric complex Daubechies filters of length 6.

J.-M. Lina and M. Mayrand, "Complex Daubechies wavelets", Applied and Computational Harmonic
Analysis 2, 219 (1995). The filter is found here as the factor of the Daubechies polynomial that
is symmetric, not typed in.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from ....ground.types import Complexes, Floats


@cache
def low_pass_filter() -> tuple[complex, ...]:
    """Return the six coefficients of the symmetric complex scaling filter; their sum is sqrt 2.

    The filter is ((1 + z)/2)^3 times a quadratic whose roots come, one from each, from the two
    pairs (r, 1/r) of roots of the Daubechies polynomial 1 + 3 y + 6 y^2, y = (2 - z - 1/z)/4.
    Taking r of one pair and 1/conj(r) of the other gives the real filter; taking r and 1/r (of
    conjugate pairs) gives the symmetric, complex one.
    """
    y = np.roots([6.0, 3.0, 1.0])
    roots = [np.roots([1.0, 4 * value - 2.0, 1.0]) for value in y]
    inner = min(roots[0], key=abs)
    polynomial = np.poly([inner, 1 / inner])
    for _ in range(3):
        polynomial = np.convolve(polynomial, [0.5, 0.5])
    polynomial = polynomial * np.sqrt(2) / polynomial.sum()
    return tuple(complex(value) for value in polynomial)


@dataclass(frozen=True, eq=False, slots=True)
class Transform:
    """A decimated transform: the coarsest approximation, and three bands per level, fine first."""

    approximation: Complexes
    details: list[tuple[Complexes, Complexes, Complexes]]


def forward(image: Floats, levels: int) -> Transform:
    """Transform a picture whose sides are multiples of 2^`levels`; it is taken as periodic."""
    low: Complexes = image.astype(np.complex64)
    details = []
    for _ in range(levels):
        rows_low, rows_high = _analyse(low)
        low_low, low_high = (part.swapaxes(0, 1) for part in _analyse(rows_low.swapaxes(0, 1)))
        high_low, high_high = (part.swapaxes(0, 1) for part in _analyse(rows_high.swapaxes(0, 1)))
        details.append((low_high, high_low, high_high))
        low = low_low
    return Transform(low, details)


def inverse(transform: Transform) -> Floats:
    """Put a picture together again; its imaginary part, zero for unchanged bands, is dropped."""
    low = transform.approximation
    for low_high, high_low, high_high in reversed(transform.details):
        rows_low = _synthesise(low.swapaxes(0, 1), low_high.swapaxes(0, 1)).swapaxes(0, 1)
        rows_high = _synthesise(high_low.swapaxes(0, 1), high_high.swapaxes(0, 1)).swapaxes(0, 1)
        low = _synthesise(rows_low, rows_high)
    return np.ascontiguousarray(low.real)


def _filters() -> tuple[Complexes, Complexes]:
    low = np.array(low_pass_filter())
    high = np.conj(low[::-1]) * (-1.0) ** np.arange(low.size)
    return low.astype(np.complex64), high.astype(np.complex64)


def _analyse(signal: Complexes) -> tuple[Complexes, Complexes]:
    """Split along the first axis into a low and a high half."""
    low, high = _filters()
    count = signal.shape[0] // 2
    around = np.concatenate([signal, signal[: low.size]])
    halves = [np.zeros((count, *signal.shape[1:]), dtype=np.complex64) for _ in range(2)]
    for tap in range(low.size):
        part = around[tap : tap + 2 * count : 2]
        halves[0] += np.conj(low[tap]) * part
        halves[1] += np.conj(high[tap]) * part
    return halves[0], halves[1]


def _synthesise(low_half: Complexes, high_half: Complexes) -> Complexes:
    """Join two halves along the first axis: the adjoint of `_analyse`, which is unitary."""
    low, high = _filters()
    count = low_half.shape[0]
    out = np.zeros((2 * count + low.size, *low_half.shape[1:]), dtype=np.complex64)
    for tap in range(low.size):
        out[tap : tap + 2 * count : 2] += low[tap] * low_half + high[tap] * high_half
    out[: low.size] += out[2 * count :]
    return out[: 2 * count]
