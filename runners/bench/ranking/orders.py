"""Orders of methods: how alike two of them are, and how many scenes an order needs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ....ground.types import Doubles
from .interval import LEVEL, walsh_averages
from .pairs import Pair

#: Which scenes.
Places = np.ndarray[tuple[int, ...], np.dtype[np.int64]]
#: Two orders that agree as well as this count as the same.
ALIKE = 0.85
DRAWS = 1000
#: Scenes of one half.
SIZES = (6, 8, 10, 14, 18, 25, 35, 50, 70, 100, 140)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tau:
    """How alike two orders of methods are, with its interval.

    Parameters
    ----------
    tau : float
        Kendall's, -1..1; ties are left out as in his tau-b.
    low, high : float
        Central 95 % of draws.
    """

    tau: float
    low: float
    high: float


def kendall(first: Doubles, second: Doubles) -> float:
    """Return Kendall's tau-b of two lists of values (Biometrika 33, 239, 1945); NaN if one is flat.

    By hand, for scipy's, which tests as well, takes too long for thousands of draws.

    Examples
    --------
    >>> round(kendall(np.array([1.0, 2.0, 3.0]), np.array([1.0, 3.0, 2.0])), 3)
    0.333
    """
    one, other = (np.sign(values[:, None] - values) for values in (first, second))
    pairs = float(np.sqrt(np.abs(one).sum() * np.abs(other).sum()))
    return float((one * other).sum()) / pairs if pairs else float("nan")


def tau_between(
    first: pd.DataFrame,
    second: pd.DataFrame,
    *,
    draws: int = DRAWS,
    rng: np.random.Generator | int = 0,
) -> Tau:
    """Compare the orders that two ways of shooting the same scenes give.

    Parameters
    ----------
    first, second : DataFrame, scenes x methods
        Of `by_scene`; scenes and methods that both hold are compared.
    draws : int
        Times that the scenes are drawn anew, with replacement, the same in both.
    rng : Generator or int

    Raises
    ------
    ValueError
        They share less than two scenes or two methods.
    """
    own = np.random.default_rng(rng)
    one, other = _shared(first, second)
    places = own.integers(len(one), size=(draws, len(one)))
    taus = [kendall(_typical(one[at]), _typical(other[at])) for at in places]
    return _told(kendall(_typical(one), _typical(other)), taus)


def _shared(first: pd.DataFrame, second: pd.DataFrame) -> tuple[Doubles, Doubles]:
    """Return the values of the scenes and methods that two tables share and that are all known."""
    scenes = first.dropna().index.intersection(second.dropna().index)
    methods = first.columns.intersection(second.columns)
    if len(scenes) < 2 or len(methods) < 2:
        raise ValueError(
            f"orders: got {len(scenes)} scenes and {len(methods)} methods in both, allowed 2 and "
            "more of each"
        )
    return (
        first.loc[scenes, methods].to_numpy(float),
        second.loc[scenes, methods].to_numpy(float),
    )


def _typical(values: Doubles) -> Doubles:
    """Return the pseudo-median over scenes of each method; values are (scenes, methods)."""
    found: Doubles = np.median(walsh_averages(values.T), axis=-1)
    return found


def _told(tau: float, draws: Sequence[float]) -> Tau:
    low, high = np.nanquantile(draws, ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
    return Tau(tau=tau, low=float(low), high=float(high))


def halves(
    levels: pd.DataFrame,
    *,
    sizes: Sequence[int] = SIZES,
    draws: int = 200,
    rng: np.random.Generator | int = 0,
) -> pd.DataFrame:
    """Return how alike the orders of two independent sets of scenes are, over their size.

    Parameters
    ----------
    levels : DataFrame, scenes x methods
        Of `by_scene`; a scene on which a method has no value is left out.
    sizes : sequence of int
        Scenes of each set.
    draws : int
        Pairs of sets for each size.
    rng : Generator or int

    Returns
    -------
    DataFrame
        Columns scenes, how, tau (mean), low, high (central 95 % of the pairs) and alike (share of
        the pairs with a tau of `ALIKE` and more). ``how`` is *split* where the scenes at hand are
        split, *drawn* where both sets are drawn from them with replacement, as if there were more
        scenes like these; there the methods are first brought together by as much as chance alone
        has spread them (`drawn_together`), else two sets of noise would agree.
    """
    own = np.random.default_rng(rng)
    known = levels.dropna().to_numpy(float)
    kinds = {"split": known, "drawn": drawn_together(known)}
    rows = []
    for size in sizes:
        for how, values in kinds.items():
            if how == "split" and 2 * size > len(values):
                continue
            taus = [
                kendall(_typical(values[one]), _typical(values[other]))
                for one, other in _sets(len(values), size, how, draws, own)
            ]
            told = _told(float(np.mean(taus)), taus)
            alike = float(np.mean(np.array(taus) >= ALIKE))
            rows.append((size, how, told.tau, told.low, told.high, alike))
    return pd.DataFrame(rows, columns=["scenes", "how", "tau", "low", "high", "alike"])


def drawn_together(values: Doubles) -> Doubles:
    """Return values with the means of methods as far apart as the methods themselves would be.

    The means of few scenes are spread by the methods and by chance; the variance that chance
    explains, the mean square of what is left over scenes and methods, is taken off.

    Parameters
    ----------
    values : array (scenes, methods)
        Two and more of each.

    Examples
    --------
    >>> drawn_together(np.array([[1.0, 3.0], [1.0, 3.0], [2.0, 4.0]])).tolist()  # no chance in it
    [[1.0, 3.0], [1.0, 3.0], [2.0, 4.0]]
    """
    scenes, methods = values.shape
    means = values.mean(axis=0)
    off = means - means.mean()
    rest = values - means - values.mean(axis=1, keepdims=True) + means.mean()
    chance = (rest**2).sum() / ((scenes - 1) * (methods - 1)) / scenes
    spread = (off**2).sum() / (methods - 1)
    kept = np.sqrt(max(0.0, 1 - chance / spread)) if spread else 1.0
    together: Doubles = values + (kept - 1) * off
    return together


def _sets(
    there: int, size: int, how: str, draws: int, rng: np.random.Generator
) -> Iterator[tuple[Places, Places]]:
    for _ in range(draws):
        both = (
            rng.permutation(there)[: 2 * size]
            if how == "split"
            else rng.integers(there, size=2 * size)
        )
        yield both[:size], both[size:]


def scenes_needed(table: pd.DataFrame, *, alike: float = ALIKE) -> int | None:
    """Return the least number of scenes from which on the drawn orders are alike on average.

    Parameters
    ----------
    table : DataFrame
        Of `halves`.
    alike : float
        Least mean tau.

    Returns
    -------
    int or None
        None where the largest sets are not alike either.
    """
    drawn = table[table["how"] == "drawn"].sort_values("scenes", ascending=False)
    enough = None
    for row in drawn.itertuples():
        if row.tau < alike:
            break
        enough = int(row.scenes)
    return enough


def turned_over(first: Sequence[Pair], second: Sequence[Pair]) -> pd.DataFrame:
    """Return what becomes of each statement on two methods, from one way of shooting to another.

    Parameters
    ----------
    first, second : sequence of Pair
        The same pairs in the same order.

    Returns
    -------
    DataFrame
        A row a pair: the advantage of its first method with its interval in both, and ``outcome``:
        *kept*, *turned over* (better in one, worse in the other, both surely), *only in the
        first*, *only in the second*, or *not told apart* in either.
    """
    rows = []
    for one, other in zip(first, second, strict=True):
        if (one.first, one.second) != (other.first, other.second):
            raise ValueError(f"pairs: got {other.first} after {one.first}, allowed the same order")
        rows.append(
            {
                "first": one.first,
                "second": one.second,
                **_advantage(one, "_first"),
                **_advantage(other, "_second"),
                "outcome": _outcome(one, other),
            }
        )
    return pd.DataFrame(rows)


def _advantage(pair: Pair, mark: str) -> dict[str, float | str]:
    told = pair.advantage
    return {
        f"advantage{mark}": told.typical,
        f"low{mark}": told.low,
        f"high{mark}": told.high,
        f"verdict{mark}": pair.verdict,
    }


def _outcome(one: Pair, other: Pair) -> str:
    if one.apart and other.apart:
        same = (one.advantage.typical > 0) == (other.advantage.typical > 0)
        return "kept" if same else "turned over"
    if one.apart or other.apart:
        return "only in the first" if one.apart else "only in the second"
    return "not told apart"
