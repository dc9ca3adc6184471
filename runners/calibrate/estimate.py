"""A measured number with its interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from ...ground.types import Doubles

#: Level of all intervals, and the share of numbers below each of their ends.
LEVEL = 0.95
_TAILS = ((1 - LEVEL) / 2, (1 + LEVEL) / 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A value and the 95 % interval about it.

    Parameters
    ----------
    value, low, high : float
    """

    value: float
    low: float
    high: float


def by_ratio(value: float, drawn: Doubles) -> Estimate:
    """Return a size with its interval, from bursts drawn with that size.

    Parameters
    ----------
    value : float
        The measured size.
    drawn : array
        What the same fit measures of bursts drawn with it. A fit that often comes out at half
        the size of a drawn burst may have done so of the real one.
    """
    low, high = np.quantile(np.maximum(drawn, 1e-12) / max(value, 1e-12), _TAILS)
    return Estimate(value=value, low=float(value / high), high=float(value / low))


def by_draws(value: float, drawn: Doubles) -> Estimate:
    """Return a value with its interval, from numbers drawn by their likelihood given the burst."""
    low, high = np.quantile(drawn, _TAILS)
    return Estimate(value=value, low=float(low), high=float(high))


def by_normal(value: float, spread: float) -> Estimate:
    """Return a value with its interval, from the standard deviation of a normal error."""
    half = float(ndtri((1 + LEVEL) / 2)) * spread
    return Estimate(value=value, low=value - half, high=value + half)
