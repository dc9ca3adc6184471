"""Whether intervals cover what they say and power is what it says: many suites, drawn anew."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import combinations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from ....ground.types import Doubles
from ...figures import plain_text
from .interval import LEVEL, ends, typical
from .metric_column import metric_column
from .pairs import contenders
from .power import POWER, least_difference
from .scenes import advantages, by_stack

#: Draws differences: so many, by that generator.
Sampler = Callable[[np.random.Generator, int], Doubles]
SCENES = (6, 10, 14, 50)
#: Of the typical difference of a population.
_MANY = 300_000
#: A published difference and half of their spread: no two scenes are quite alike.
_SMOOTHED = 0.25
#: About as many published pairs are enough.
_PUBLISHED = 4

#: Differences of known shape: symmetric, heavy in the tails, skewed, and of two kinds of scenes.
SHAPES: Mapping[str, Sampler] = {
    "normal": lambda rng, count: rng.standard_normal(count),
    "Student, 3 degrees": lambda rng, count: rng.standard_t(3, count),
    "Laplace": lambda rng, count: rng.laplace(0, 1, count),
    "gamma, skewness 1.6": lambda rng, count: rng.gamma(1.56, 1, count),
    "log-normal": lambda rng, count: rng.lognormal(0, 1, count),
    "one scene in five is another kind": lambda rng, count: np.where(
        rng.random(count) < 0.2, rng.normal(-10, 2, count), rng.normal(-0.7, 0.8, count)
    ),
}


def published(rows: pd.DataFrame, *, column: str = "merge_loss_db") -> dict[str, Sampler]:
    """Return samplers of the differences that a benchmark found, scene by scene, smoothed.

    Parameters
    ----------
    rows : DataFrame
        Plain cells of a ``rows.csv``.
    column : str
    """
    metric = metric_column(column, rows.columns)
    table = by_stack(rows, column, higher_is_better=metric.higher_is_better)
    ranked = contenders(rows)
    floors = [name for name in table.columns if name not in ranked]
    every = [*combinations(ranked, 2), *zip(ranked, floors, strict=False)]
    wanted = every[:: max(1, len(every) // _PUBLISHED)]
    return {
        f"{first} over {second}": _around(
            advantages(table, first, second, higher=metric.higher_is_better).to_numpy()
        )
        for first, second in wanted
    }


def _around(values: Doubles) -> Sampler:
    spread = _SMOOTHED * float(values.std(ddof=1))

    def drawn(rng: np.random.Generator, count: int) -> Doubles:
        return rng.choice(values, count) + spread * rng.standard_normal(count)

    return drawn


def typical_of(sampler: Sampler, *, rng: np.random.Generator | int = 0) -> float:
    """Return the typical difference of all scenes that there could be: that of many pairs."""
    own = np.random.default_rng(rng)
    return float(np.median((sampler(own, _MANY) + sampler(own, _MANY)) / 2))


def coverage(
    sampler: Sampler, *, scenes: int, suites: int, rng: np.random.Generator | int
) -> float:
    """Return the share of suites whose interval holds the typical difference."""
    own = np.random.default_rng(rng)
    true = typical_of(sampler, rng=own)
    low, high = ends(_suites(sampler, suites, scenes, own))
    return float(np.mean((low <= true) & (true <= high)))


def found_share(
    sampler: Sampler, difference: float, *, scenes: int, suites: int, rng: np.random.Generator | int
) -> float:
    """Return the share of suites that find a typical difference of that size."""
    own = np.random.default_rng(rng)
    shift = difference - typical_of(sampler, rng=own)
    low, high = ends(_suites(sampler, suites, scenes, own) + shift)
    return float(np.mean((low > 0) | (high < 0)))


def mean_power(
    sampler: Sampler, *, scenes: int, suites: int, rng: np.random.Generator | int
) -> float:
    """Return how often a difference is found of which suites say that 8 of 10 find it.

    Each of some suites says, by its own scenes alone, what could have been seen; other suites, of
    the same scenes that there could be, are asked how many of them find just that.
    """
    own = np.random.default_rng(rng)
    true = typical_of(sampler, rng=own)
    low, high = ends(_suites(sampler, 20 * suites, scenes, own))
    # What a suite says is of a difference in the direction that it saw.
    needed = {1.0: np.sort(true - low), -1.0: np.sort(high - true)}
    shares = []
    for differences in _suites(sampler, suites, scenes, own):
        said = least_difference(differences, rng=own)
        seen = needed[-1.0 if typical(differences).typical < 0 else 1.0]
        shares.append(np.searchsorted(seen, said) / seen.size)
    return float(np.mean(shares))


def _suites(sampler: Sampler, suites: int, scenes: int, rng: np.random.Generator) -> Doubles:
    return sampler(rng, suites * scenes).reshape(suites, scenes)


def simulated(
    samplers: Mapping[str, Sampler], *, suites: int, power_suites: int, seed: int = 0
) -> pd.DataFrame:
    """Return coverage and power of every population at every number of scenes.

    Returns
    -------
    DataFrame
        Columns differences, scenes, coverage, power.
    """
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "differences": name,
            "scenes": scenes,
            "coverage": coverage(sampler, scenes=scenes, suites=suites, rng=rng),
            "power": mean_power(sampler, scenes=scenes, suites=power_suites, rng=rng),
        }
        for name, sampler in samplers.items()
        for scenes in SCENES
    )


@plain_text()
def coverage_figure(table: pd.DataFrame) -> Figure:
    """Return a figure of coverage and power over the number of scenes."""
    figure = Figure(figsize=(11, 4.4), layout="constrained")
    left, right = figure.subplots(1, 2)
    names = list(dict.fromkeys(table["differences"]))
    for axes, column, said, band in (
        (left, "coverage", LEVEL, (0.93, 0.97)),
        (right, "power", POWER, (0.65, 0.95)),
    ):
        axes.axhspan(*band, color="0.92")
        axes.axhline(said, color="k", linewidth=0.8, linestyle="--")
        for number, name in enumerate(names):
            own = table[table["differences"] == name]
            place = np.arange(len(own)) + 0.05 * (number - len(names) / 2)
            axes.plot(place, own[column], "osD^vPX*<>p"[number % 11], label=name, fillstyle="none")
        axes.set_xticks(range(len(SCENES)), [str(scenes) for scenes in SCENES])
        axes.set(xlabel="scenes", ylabel=column)
    left.set_title("intervals said to hold 95 % hold", fontsize="medium")
    right.set_title("differences said to be found in 80 % are found in", fontsize="medium")
    right.legend(fontsize="small", loc="upper left", bbox_to_anchor=(1, 1), frameon=False)
    return figure
