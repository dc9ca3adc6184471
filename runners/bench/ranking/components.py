"""How much scenes, stances and seeds each contribute to what differs between methods."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pandas as pd

from ....ground.types import Doubles
from .interval import LEVEL

_DRAWS = 1000
COMPONENTS = ("method", "scene", "stance", "scene x stance", "seed")


def variance_components(
    stances: pd.DataFrame,
    seeds: pd.DataFrame,
    column: str,
    *,
    draws: int = _DRAWS,
    rng: np.random.Generator | int = 0,
) -> pd.DataFrame:
    """Share out the variance of methods' values, what is common to all of them on a stack left out.

    From the mean squares of two balanced layouts and what they are expected to be (Searle, Casella
    & McCulloch, Variance Components, 1992, ch. 4; from memory), pooled over the methods: scenes x
    stances with one value each, and scenes x seeds.

    Parameters
    ----------
    stances : DataFrame
        Rows of every scene in every stance, columns scene, stance, method and `column`; several
        values of one scene and stance are averaged first.
    seeds : DataFrame
        Rows of scenes with several seeds in one stance; columns scene, seed, method and `column`.
    column : str
        Which value.
    draws : int
        Times that scenes are drawn anew for the interval.
    rng : Generator or int

    Returns
    -------
    DataFrame
        A row for each of `COMPONENTS`: ``variance`` in the column's unit squared with ``low`` and
        ``high`` (central 95 % of draws), and ``spread``, its root. The first is what methods
        differ by; the others blur it: how another scene, stance or seed moves a method against
        the others.

    Raises
    ------
    ValueError
        Fewer than two scenes, stances or seeds in common.
    """
    own = np.random.default_rng(rng)
    by_stance = _layout(stances, "stance", column)
    by_seed = _layout(seeds, "seed", column)
    found = _components(by_stance, by_seed)
    drawn = [_components(_again(by_stance, own), _again(by_seed, own)) for _ in range(draws)]
    low, high = np.quantile(drawn, ((1 - LEVEL) / 2, (1 + LEVEL) / 2), axis=0)
    return pd.DataFrame(
        {
            "component": COMPONENTS,
            "variance": found,
            "low": low,
            "high": high,
            "spread": np.sqrt(found),
        }
    )


def _layout(rows: pd.DataFrame, factor: str, column: str) -> Doubles:
    """Return values (scenes, levels, methods), complete ones only, less the mean over methods."""
    table = rows.pivot_table(
        index=["scene", factor], columns="method", values=column, sort=False
    ).dropna()
    whole = table.groupby(level="scene").size()
    levels = table.index.get_level_values(factor).nunique()
    scenes = whole.index[whole == levels]
    if len(scenes) < 2 or levels < 2 or table.shape[1] < 2:
        raise ValueError(
            f"{factor}: got {len(scenes)} scenes with all of {levels} levels and {table.shape[1]} "
            "methods, allowed 2 and more of each"
        )
    values = table.sort_index().loc[list(scenes)].to_numpy(float)
    cube = values.reshape(len(scenes), levels, -1)
    return np.asarray(cube - cube.mean(axis=-1, keepdims=True))


def _again(values: Doubles, rng: np.random.Generator) -> Doubles:
    drawn: Doubles = values[rng.integers(len(values), size=len(values))]
    return drawn


def _components(by_stance: Doubles, by_seed: Doubles) -> Doubles:
    """Return the components; one whose estimate is below nothing is nothing."""
    scenes, stances, methods = by_stance.shape
    of_scene, of_stance, rest = _mean_squares(by_stance)
    within = by_seed - by_seed.mean(axis=1, keepdims=True)
    seed = float((within**2).sum() / (len(by_seed) * (by_seed.shape[1] - 1) * (methods - 1)))
    scene = (of_scene - rest) / stances
    stance = (of_stance - rest) / scenes
    means = by_stance.mean(axis=(0, 1))
    blur = max(scene, 0) / scenes + max(stance, 0) / stances + rest / (scenes * stances)
    method = float((means**2).sum() / (methods - 1)) - blur
    return np.maximum([method, scene, stance, rest - seed, seed], 0)


def _mean_squares(values: Doubles) -> tuple[float, float, float]:
    """Return the mean squares of scenes, of stances and of the rest, pooled over the methods."""
    scenes, stances, methods = values.shape
    whole = values.mean(axis=(0, 1))
    scene = values.mean(axis=1) - whole
    stance = values.mean(axis=0) - whole
    rest = values - whole - scene[:, None] - stance[None]
    return (
        float(stances * (scene**2).sum() / ((scenes - 1) * (methods - 1))),
        float(scenes * (stance**2).sum() / ((stances - 1) * (methods - 1))),
        float((rest**2).sum() / ((scenes - 1) * (stances - 1) * (methods - 1))),
    )


def blur_of_mean(table: pd.DataFrame, *, scenes: int, stances: int, seeds: int) -> float:
    """Return how much a method's mean over such a suite differs from suite to suite, root of it.

    Parameters
    ----------
    table : DataFrame
        Of `variance_components`.
    scenes, stances, seeds : int
        Of the suite; the stances are those that there are, and so do not count by themselves.
    """
    own = dict(zip(table["component"], table["variance"], strict=True))
    return sqrt(
        own["scene"] / scenes
        + own["scene x stance"] / (scenes * stances)
        + own["seed"] / (scenes * stances * seeds)
    )
