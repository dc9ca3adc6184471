"""How alike orders are, and what varies: against orders and variances that are known."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from stacktruth.runners.bench.ranking.components import blur_of_mean, variance_components
from stacktruth.runners.bench.ranking.orders import (
    halves,
    kendall,
    scenes_needed,
    tau_between,
    turned_over,
)
from stacktruth.runners.bench.ranking.pairs import pairwise

#: Of the invented components, in their order but for the methods' own.
TRUE = {"scene": 2.0, "stance": 0.7, "scene x stance": 1.2, "seed": 0.5}


def levels(typical: list[float], *, scenes: int, spread: float, seed: int = 0) -> pd.DataFrame:
    """Return values of methods about what is typical of each, scenes x methods."""
    noise = np.random.default_rng(seed).normal(0, spread, (scenes, len(typical)))
    index = pd.Index([f"scene {number}" for number in range(scenes)], name="scene")
    return pd.DataFrame(np.array(typical) + noise, index, [f"m{n}" for n in range(len(typical))])


def test_tau_of_an_order_with_itself_and_turned_about() -> None:
    """1 and -1, whatever scenes are drawn, and by hand in between: two of three pairs agree."""
    one = levels([1, 2, 3, 4], scenes=8, spread=0.01)
    same, turned = tau_between(one, one + 5, draws=40), tau_between(one, -one, draws=40)
    assert (same.tau, same.low, same.high) == pytest.approx((1, 1, 1))
    assert (turned.tau, turned.low, turned.high) == pytest.approx((-1, -1, -1))
    other = one.rename(columns={"m1": "m2", "m2": "m1"})[list(one)[:3]]
    assert tau_between(one, other, draws=40).tau == pytest.approx(1 / 3)


def test_tau_is_scipys() -> None:
    """With ties and without."""
    rng = np.random.default_rng(4)
    for first, second in rng.integers(0, 9, (20, 2, 8)).astype(float):
        wanted = stats.kendalltau(first, second).statistic
        assert kendall(first, second) == pytest.approx(wanted, abs=1e-12)


def test_what_only_one_holds_is_left_out() -> None:
    """Scenes and methods; with nothing in common there is nothing to say."""
    one = levels([1, 2, 3], scenes=8, spread=0.01)
    assert tau_between(one, one.iloc[3:, :2], draws=5).tau == pytest.approx(1)
    with pytest.raises(ValueError, match="0 scenes and 3 methods"):
        tau_between(one, one.rename(index=lambda name: f"another {name}"))


def test_halves_agree_where_scenes_say_the_same() -> None:
    """Clear differences need few scenes, blurred ones more, and chance alone never agrees."""
    how = {"sizes": (6, 14, 50), "draws": 30}
    clear = halves(levels([1, 2, 3, 4, 5, 6], scenes=30, spread=0.1), **how)
    assert scenes_needed(clear) == 6
    assert set(clear["scenes"][clear["how"] == "split"]) == {6, 14}
    blurred = halves(levels([1, 2, 3, 4, 5, 6], scenes=30, spread=2), **how)
    drawn = blurred[blurred["how"] == "drawn"]["tau"].tolist()
    assert drawn == sorted(drawn)
    assert scenes_needed(blurred) == 50
    nothing = halves(levels([0] * 40, scenes=100, spread=1), **how)
    assert scenes_needed(nothing) is None
    assert nothing["tau"].abs().max() < 0.15


def test_a_statement_that_turns_over_is_told_from_one_that_is_lost() -> None:
    """Three methods of which one pair turns about, one stays, and one is no longer told apart."""
    first = levels([1, 2, 3], scenes=14, spread=0.2)
    second = first.copy()
    second["m0"], second["m1"] = first["m1"], first["m0"]
    second["m2"] = first["m0"] + np.where(np.arange(14) % 2, 1.0, -1.0) * 0.3
    found = turned_over(pairwise(first), pairwise(second)).set_index(["first", "second"])
    assert found.loc[("m0", "m1"), "outcome"] == "turned over"
    assert found.loc[("m1", "m2"), "outcome"] == "only in the first"
    assert found.loc[("m0", "m1"), "advantage_first"] < 0 < found.loc[("m0", "m1"), "low_second"]


def invented(scenes: int, *, stances: int, seeds: int, methods: int = 8) -> pd.DataFrame:
    """Return rows of known components, with what is common to all methods on a stack on top."""
    rng = np.random.default_rng(3)
    shape = (scenes, stances, seeds, methods)
    value = rng.normal(0, np.sqrt(TRUE["scene"]), (scenes, 1, 1, methods)) * np.ones(shape)
    value += rng.normal(0, np.sqrt(TRUE["stance"]), (1, stances, 1, methods))
    value += rng.normal(0, np.sqrt(TRUE["scene x stance"]), (scenes, stances, 1, methods))
    value += rng.normal(0, np.sqrt(TRUE["seed"]), shape)
    value += 100 * rng.normal(size=(scenes, stances, seeds, 1))
    index = pd.MultiIndex.from_product(
        map(range, shape), names=["scene", "stance", "seed", "method"]
    )
    return pd.Series(value.ravel(), index, name="lost").reset_index()


def test_components_come_back() -> None:
    """Of 300 invented scenes; what a whole stack loses is nobody's, however much it is."""
    rows = invented(300, stances=12, seeds=2)
    once, by_hand = rows[rows["seed"] == 0], rows[rows["stance"] == 0]
    found = variance_components(once, by_hand, "lost", draws=20).set_index("component")
    for name, true in TRUE.items():
        # A standard error is 3 % of those of scenes; of 12 stances by 7 free methods, 16 %.
        allowed = 0.35 if name == "stance" else 0.12
        assert found.loc[name, "variance"] == pytest.approx(true, rel=allowed), name
    assert found.loc["method", "variance"] < 0.3  # none was put in
    assert (found["low"] <= found["variance"]).all()


def test_a_mean_over_more_is_blurred_less() -> None:
    """By hand: the root of 4 / 2 + 6 / (2 * 3) + 12 / (2 * 3 * 4)."""
    table = pd.DataFrame(
        {"component": ["scene", "scene x stance", "seed"], "variance": [4.0, 6.0, 12.0]}
    )
    assert blur_of_mean(table, scenes=2, stances=3, seeds=4) == pytest.approx(3.5**0.5)


def test_rows_without_a_second_level_say_nothing() -> None:
    """One stance cannot tell what stances do; told with how many there are."""
    rows = invented(4, stances=2, seeds=2)
    with pytest.raises(ValueError, match="stance: got 4 scenes with all of 1 levels"):
        variance_components(rows[rows["stance"] == 0], rows, "lost")
