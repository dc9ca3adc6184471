"""Rank correlation with an interval, from resampling."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats


@dataclass(frozen=True, slots=True)
class RankCorrelation:
    """Spearman's rank correlation with the central 95 % of its resampled values."""

    value: float
    low: float
    high: float
    count: int

    def __str__(self) -> str:
        return f"{self.value:.2f} [{self.low:.2f}, {self.high:.2f}], {self.count} measures"


def rank_correlation(
    published: Mapping[str, float],
    ours: Sequence[Mapping[str, float]],
    *,
    leave_out: Sequence[str] = (),
    rng: np.random.Generator,
    resamples: int = 2000,
) -> RankCorrelation:
    """Correlate a published ranking with the mean of several of ours.

    Parameters
    ----------
    published : mapping
        Value by name.
    ours : sequence of mapping
        Value by name, one mapping a sequence (scene, texture).
    leave_out : sequence of str
        Names not to be counted.
    rng : Generator
    resamples : int
        Each draws sequences and names with replacement, so that the interval covers both the choice
        of scenes and that of operators.
    """
    names = [n for n in published if n in ours[0] and n not in leave_out]
    wanted = np.array([published[n] for n in names])
    table = np.array([[sequence[n] for n in names] for sequence in ours])
    values = []
    for _ in range(resamples):
        chosen = rng.integers(0, len(names), len(names))
        scenes = rng.integers(0, len(table), len(table))
        if len(set(chosen.tolist())) > 2:
            mean = table[scenes].mean(axis=0)
            values.append(_spearman(wanted[chosen], mean[chosen]))
    low, high = np.quantile(values, [0.025, 0.975])
    value = _spearman(wanted, table.mean(axis=0))
    return RankCorrelation(value, float(low), float(high), len(names))


def _spearman(first: np.ndarray, second: np.ndarray) -> float:
    return float(np.corrcoef(stats.rankdata(first), stats.rankdata(second))[0, 1])
