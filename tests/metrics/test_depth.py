"""Depth metrics on errors of known size."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.stats import spearmanr

from stacktruth.metrics import depth, depth_edges
from stacktruth.metrics.record import Metric

DOF_MM = 0.1


@pytest.fixture
def truth() -> np.ndarray:
    """Give a slope from 0 to 3 mm with a hole in it."""
    surface = np.linspace(0.0, 3.0, 40)[None, :] + np.zeros((30, 1))
    surface[3, 4] = np.nan
    return surface


@pytest.fixture
def step() -> np.ndarray:
    """Give a near bar at 0 mm, 20 px wide, before a wall at 2 mm."""
    surface = np.full((40, 60), 2.0)
    surface[:, 20:40] = 0.0
    return surface


def test_errors_of_a_known_mixture(truth: np.ndarray) -> None:
    """Nine tenths right and one tenth 0.5 mm too far."""
    result = truth.copy()
    result[:3] += 0.5
    share = 120 / 1199
    assert depth.depth_rmse_mm(result, truth) == pytest.approx(0.5 * math.sqrt(share))
    assert depth.depth_mae_mm(result, truth) == pytest.approx(0.5 * share)
    assert depth.depth_bias_mm(result, truth) == pytest.approx(0.5 * share)
    assert depth.depth_median_mm(result, truth) == 0.0
    assert depth.bad_share(1)(result, truth, dof_mm=DOF_MM) == pytest.approx(share)


@pytest.mark.parametrize(("multiple", "bad"), [(0.5, 1.0), (1.0, 0.0), (2.0, 0.0)])
def test_bad_pixels_at_multiples(truth: np.ndarray, multiple: float, bad: float) -> None:
    """An error of 0.08 mm is bad at half a depth of field of 0.1 mm only."""
    got = depth.bad_share(multiple)(truth + 0.08, truth, dof_mm=DOF_MM)
    assert got == bad


def test_no_answer_is_bad_but_no_error(truth: np.ndarray) -> None:
    """Half the answers missing: coverage 1/2, half the pixels bad, the error as before."""
    result = truth + 0.02
    result[:, :20] = np.nan
    assert depth.coverage(result, truth) == pytest.approx(600 / 1199)
    assert depth.bad_share(1)(result, truth, dof_mm=DOF_MM) == pytest.approx(599 / 1199)
    assert depth.depth_mae_mm(result, truth) == pytest.approx(0.02)


def test_order_is_spearmans(truth: np.ndarray) -> None:
    """Rank correlation is SciPy's, and any rising curve of the truth gives 1."""
    rng = np.random.default_rng(1)
    result = np.exp(truth) + rng.standard_normal(truth.shape)
    known = np.isfinite(truth)
    expected = spearmanr(result[known], truth[known]).statistic
    assert depth.rank_correlation(result, truth) == pytest.approx(expected, abs=1e-12)
    assert depth.rank_correlation(np.exp(truth), truth) == pytest.approx(1.0)
    assert depth.rank_correlation(-truth, truth) == pytest.approx(-1.0)
    assert depth.rank_correlation(np.ones_like(truth), truth) == 0.0
    assert math.isnan(depth.rank_correlation(truth, np.ones_like(truth)))


def test_bumpiness_of_a_paraboloid() -> None:
    """An error a x^2 + b x y has the Hessian (2a, b; b, 0), of norm sqrt(4 a^2 + 2 b^2)."""
    y, x = np.mgrid[:30, :40].astype(float)
    error = 3e-3 * x**2 + 4e-3 * x * y
    got = depth.bumpiness_mm(error + 0.1 * x, 0.1 * x)
    assert got == pytest.approx(math.sqrt(4 * 9e-6 + 2 * 16e-6), rel=1e-9)


def test_a_tilt_is_not_bumpy(truth: np.ndarray) -> None:
    """A depth map off by a plane is as smooth as the truth."""
    tilt = 0.01 * np.arange(40)[None, :] + 0.02 * np.arange(30)[:, None] + 1.0
    assert depth.bumpiness_mm(truth + tilt, truth) == pytest.approx(0.0, abs=1e-12)


def test_a_bar_grown_by_two_pixels_is_fattened(step: np.ndarray) -> None:
    """Of the five far pixels within reach on each side two have the near depth."""
    result = step.copy()
    result[:, 18:42] = 0.0
    assert depth_edges.edge_fattening(result, step, dof_mm=DOF_MM) == pytest.approx(2 / 5)
    assert depth_edges.edge_thinning(result, step, dof_mm=DOF_MM) == 0.0


def test_a_bar_shrunk_by_one_pixel_is_thinned(step: np.ndarray) -> None:
    """Of the five near pixels within reach on each side one has the far depth."""
    result = step.copy()
    result[:, [20, 39]] = 2.0
    assert depth_edges.edge_thinning(result, step, dof_mm=DOF_MM) == pytest.approx(1 / 5)
    assert depth_edges.edge_fattening(result, step, dof_mm=DOF_MM) == 0.0


@pytest.mark.parametrize(("answer", "fattened"), [(0.9, 2 / 10), (1.1, 0.0)])
def test_sides_of_a_step_part_in_its_middle(
    step: np.ndarray, answer: float, fattened: float
) -> None:
    """From 0 to 2 mm they part at 1 mm: two of the ten far pixels within reach are told."""
    result = step.copy()
    result[:, 40:42] = answer
    assert depth_edges.edge_fattening(result, step, dof_mm=DOF_MM) == pytest.approx(fattened)


def test_no_step_no_fattening(truth: np.ndarray) -> None:
    """A slope within two depths of field has no edge to fatten."""
    slope = truth * 0.01
    assert math.isnan(depth_edges.edge_fattening(slope, slope, dof_mm=DOF_MM))


def test_frame_indices_become_depths() -> None:
    """Fractions lie between the planes of neighbouring frames, in whatever order they came."""
    index = np.array([[0.0, 1.5, 2.0], [np.nan, -1.0, 2.5]])
    got = depth.depth_from_frames(index, [0.0, 1.0, 0.4])
    np.testing.assert_allclose(got, [[0.0, 0.7, 0.4], [np.nan, np.nan, np.nan]])


def test_all_at_once_equals_one_by_one(truth: np.ndarray) -> None:
    """`score_depth` gives what the single functions give, region by region."""
    rng = np.random.default_rng(2)
    result = truth + 0.1 * rng.standard_normal(truth.shape)
    masks = {"left": np.arange(40) < 20 + np.zeros((30, 1)), "none": np.zeros((30, 40), bool)}
    scores = depth.score_depth(result, truth, masks=masks, dof_mm=DOF_MM, origin_mm=-3.0)
    assert scores["left"]["depth_rmse_mm"] == depth.depth_rmse_mm(result, truth, mask=masks["left"])
    expected = depth.bad_share(2)(result, truth, dof_mm=DOF_MM, mask=masks["left"])
    assert scores["left"]["bad_share_2dof"] == expected
    assert all(math.isnan(value) for value in scores["none"].values())


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda t: depth.depth_rmse_mm(t[0], t[0]), r"depth_mm must have shape \(H, W\)"),
        (lambda t: depth.depth_rmse_mm(t, t[1:]), r"shapes must be equal, got depth_mm \(30, 40\)"),
        (lambda t: depth.coverage(t + np.inf, t), "depth_mm must not be infinite"),
        (lambda t: depth.bad_share(1)(t, t, dof_mm=0.0), "dof_mm must be positive, got 0.0"),
        (lambda t: depth.depth_from_frames(t, []), "focus_mm must be a finite list of planes"),
        (
            lambda t: depth.score_depth(t, t, masks={}, dof_mm=1.0, origin_mm=0.0, names=["depth"]),
            r"names must be among .*got \['depth'\]",
        ),
    ],
)
def test_bad_input_is_named(
    truth: np.ndarray, call: Callable[[np.ndarray], object], message: str
) -> None:
    """What is wrong, what was got and what is allowed."""
    with pytest.raises(ValueError, match=message):
        call(truth)


@pytest.mark.parametrize("metric", depth.METRICS, ids=lambda metric: metric.name)
def test_a_perfect_map_scores_best(metric: Metric, step: np.ndarray) -> None:
    """The truth itself gets the best value of every metric."""
    given = {"dof_mm": DOF_MM, "origin_mm": -2.0, "confidence": np.ones_like(step)}
    options = {name: given[name] for name in metric.needs}
    assert metric.function(step, step, **options) == pytest.approx(metric.best)
