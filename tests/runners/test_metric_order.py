"""Metrics without truth, like for like: the frames, the printed formulae, and the orders told."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from skimage.measure import shannon_entropy
from skimage.metrics import normalized_mutual_information

from stacktruth.metrics import METRICS
from stacktruth.metrics.cards import CARDS, page
from stacktruth.metrics.fusion.sources import Sources
from stacktruth.runners.reproduce import metric_order, pairs, printed
from stacktruth.runners.reproduce.metric_order_report import turns
from stacktruth.simulator import load_rig, load_scene

RNG = np.random.default_rng(5)
PLANES = [RNG.integers(0, 256, (40, 48)).astype(np.float32) / 255 for _ in range(3)]
WHOLE = np.ones((40, 48), dtype=bool)


def sources(fused, *frames):
    """Return what a metric takes."""
    return Sources(np.float32(fused), [np.float32(one) for one in frames], 1.0, WHOLE)


def test_two_depths_are_found_and_one_is_refused():
    """Two planes with a little spread; a plane, a slope's rare far end, and what is unknown."""
    z = np.where(np.arange(40) < 20, 1.0, 3.0) + np.tile([0.1, -0.1], 20)
    found = pairs.two_depths(np.tile(z, (10, 1)))
    assert (found.near, found.far, found.beside) == pytest.approx((1.0, 3.0, 0.1))
    assert found.contrast == pytest.approx(20.0)
    assert pairs.two_depths(np.ones((10, 40))) is None
    rare = np.ones((10, 40))
    rare[0, :20] = 3.0
    assert pairs.two_depths(rare) is None
    assert pairs.two_depths(np.full((10, 40), np.nan)) is None


@pytest.fixture(scope="module", name="window")
def small_window():
    """Return a part of the pickets, which stand before a card."""
    scene = load_scene("pickets")
    return pairs.TwoDepths(scene, load_rig(scene.rig), (96, 72, 2900, 1900), -1.0, 2.0)


def test_registered_frames_share_a_view_and_hands_are_undone(window):
    """True motions: none for registered frames; for others points in focus fall on each other."""
    still = pairs._motion(window, window.camera, window.far_mm)
    np.testing.assert_allclose(still, np.eye(3), atol=1e-6)
    cameras = list(pairs._cameras(window, 2, seed=1))
    motion = pairs._motion(window, cameras[1], window.far_mm)
    row, col, _ = window.camera.project(np.array([0.01, -0.02, window.far_mm]))
    x, y, _ = motion @ [col - 0.5, row - 0.5, 1.0]
    there_row, there_col, _ = cameras[1].project(np.array([0.01, -0.02, window.far_mm]))
    assert (x, y) == pytest.approx((there_col - 0.5, there_row - 0.5), abs=0.02)
    assert abs(x - (col - 0.5)) + abs(y - (row - 0.5)) > 0.1


def test_mutual_information_is_that_of_a_reference_library():
    """Against scikit-image: from entropies and (H(A) + H(B)) / H(A, B), in bits."""
    first, second, fused = PLANES
    codes = [np.rint(255 * plane).astype(int) for plane in PLANES]
    assert all((plane.min(), plane.max()) == (0, 255) for plane in codes)  # else bins would move
    expected = 0.0
    for one in codes[:2]:
        sides = shannon_entropy(one) + shannon_entropy(codes[2])
        expected += sides - sides / normalized_mutual_information(one, codes[2], bins=256)
    assert printed.mutual_information(sources(fused, first, second)) == pytest.approx(expected)


def test_plain_metrics_by_hand():
    """A ramp of one grey level a column: gradient, frequency, entropy and spread are known."""
    ramp = np.tile(np.arange(48) / 255, (40, 1))
    made = sources(ramp, ramp, ramp)
    assert printed.average_gradient(made) == pytest.approx(math.sqrt(0.5), rel=1e-4)
    assert printed.spatial_frequency(made) == pytest.approx(1.0, rel=1e-4)
    assert printed.entropy(made) == pytest.approx(math.log2(48))
    assert printed.standard_deviation(made) == pytest.approx(math.sqrt((48**2 - 1) / 12), rel=1e-4)
    # A Sobel mask of a ramp of 1 is 8 inside, 4 at the two rims.
    assert printed.edge_intensity(made) == pytest.approx(8 * 46 / 48 + 4 * 2 / 48, rel=1e-3)


def test_frames_in_the_merge_are_found():
    """The sum of two frames adds each to the other: correlations 1 and 1; alike planes: 0."""
    first, second = PLANES[0] / 2, PLANES[1] / 2
    made = sources(first + second, first, second)
    assert printed.correlations_of_differences(made) == pytest.approx(2.0, abs=1e-6)
    same = sources(PLANES[0], PLANES[0], PLANES[0])
    assert printed.perceived_difference(same) == 0.0
    # Equal planes: the nonlinear correlation is H / log2(256) off the diagonal.
    share = printed.entropy(same) / 8
    roots = np.array([1 + 2 * share, 1 - share, 1 - share]) / 3
    expected = 1 + np.sum(roots * np.log(roots)) / math.log(256)
    assert printed.nonlinear_correlation(same) == pytest.approx(expected)


def test_orders_are_held_to_the_published_one_family_by_family():
    """Taus as published: 1; turned: -1, a change of -2 whose interval has no width."""
    names = [
        f"{family}-{seed}" for family in ("leaf", "moss-and-lichen", "coin") for seed in (1, 2)
    ]
    same = pd.DataFrame([printed.PUBLISHED] * 6, index=names)
    found = metric_order.orders(
        {"like": same, "turned": -same}, rng=np.random.default_rng(0), resamples=20
    )
    assert [row["families"] for row in found] == [3, 3]
    assert [row["published"] for row in found] == pytest.approx([1.0, -1.0], abs=0.01)
    assert found[1]["change_high"] == pytest.approx(-2.0, abs=0.02)
    assert found[1]["moved"] > 0.3
    assert found[0]["moved"] == 0.0


def test_the_fast_tau_is_that_of_a_reference_library():
    """Against scipy's tau-b, with ties."""
    first, second = RNG.integers(0, 6, (2, 5, 16)).astype(float)
    expected = [stats.kendalltau(a, b).statistic for a, b in zip(first, second, strict=True)]
    np.testing.assert_allclose(metric_order._taus(first, second), expected)


def test_a_case_takes_its_merges_and_forms():
    """Of a table with one metric turned in its own form, each case reads its own column."""
    rows = []
    for place, merge in enumerate(metric_order.CASES[0].merges):
        values = dict.fromkeys(printed.PRINTED, float(place))
        own = {f"{name}, own form": -float(place) for name in printed.OWN_FORMS}
        head = {"scene": "coin-1", "shots": pairs.SHOTS[0].name, "merge": merge}
        rows.append({**head, "psnr_db": float(place), **values, **own})
    table = pd.DataFrame(rows)
    plain, forms = (metric_order.window_taus(table, case) for case in metric_order.CASES[:2])
    assert (plain.loc["coin-1"] == 1.0).all()
    turned = forms.columns[forms.loc["coin-1"] == -1.0]
    assert set(turned) == set(printed.OWN_FORMS)


def told(case, change, low, high):
    """Return a row of orders as a sentence needs it."""
    moved = {"moved": abs(change), "moved_low": 0.0, "moved_high": 1.0}
    return {"case": case, "change": change, "change_low": low, "change_high": high, **moved}


def test_what_turns_the_order_is_named_by_its_interval():
    """Away, toward and neither: a change whose interval holds 0 is no turn."""
    rows = [told("first", 0, 0, 0), told("floors", -0.5, -0.7, -0.3), told("noise", 0.2, -0.1, 0.5)]
    text = turns([*rows, told("hands", 0.3, 0.1, 0.4)])
    assert "Away from the published order turns: floors (-0.50)." in text
    assert "Toward it turns: hands (+0.30)." in text
    assert "No turn that the interval tells from none: noise." in text
    assert "Most by: floors." in text


def test_cards_of_metrics_without_truth_say_how_they_follow_it():
    """By the same published figures as the study is held to; other cards say nothing."""
    shared = {
        "edge_transfer": "Q^AB/F",
        "mutual_information": "mutual information",
        "piella_weighted": "Q_W",
        "cvejic": "Q_C",
        "yang": "Q_Y",
        "chen_blum": "Q_CB",
        "phase_congruency": "Q_P",
    }
    told = {name: card.published_tau for name, card in CARDS.items() if card.published_tau}
    assert told == {name: printed.PUBLISHED[shared[name]] for name in shared}
    cards = page(METRICS.values()).split("\n## ")[1:]
    assert all(("follows the truth" in one) == ("(fusion)" in one) for one in cards)


def test_one_window_a_family_is_kept_by_its_level_alone(window):
    """In order of the draws; what has no window or another level is passed over."""
    levels = {"coin:1": 37.0, "coin:2": 40.0, "coin:3": 41.0, "coin:4": 42.0, "leaf:1": 39.5}
    marked = {name: replace(window, near_mm=level) for name, level in levels.items()}
    looked = {name: (marked[name], level) for name, level in levels.items()}
    looked["leaf:2"] = (None, math.nan)
    kept = metric_order.chosen(looked, (39.0, 43.0))
    assert [one.near_mm for one in kept] == [40.0, 39.5]
    with pytest.raises(RuntimeError, match="none of 1 scenes"):
        metric_order.chosen({"leaf:2": (None, math.nan)}, (39.0, 43.0))
