"""Scores of the depth literature against closed forms, other libraries and examples by hand."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.stats import gstd, linregress

from stacktruth.metrics import depth
from stacktruth.metrics.depth_confidence import bad_share_auc, depth_ause_mm
from stacktruth.metrics.depth_edges import boundary_f1
from stacktruth.metrics.depth_ratio import (
    delta_share,
    depth_abs_rel,
    depth_affine_free_mm,
    depth_scale_free,
    ratio_origin_mm,
)

ORIGIN_MM = -2.0


@pytest.fixture
def truth() -> np.ndarray:
    """Give a slope from 1 to 3 mm, 3 to 5 mm from the origin, with a hole in it."""
    surface = np.linspace(1.0, 3.0, 50)[None, :] + np.zeros((30, 1))
    surface[3, 4] = np.nan
    return surface


@pytest.fixture
def noisy(truth: np.ndarray) -> np.ndarray:
    """Give an answer with noise, a scale, a shift and a gap."""
    answer = 0.8 * truth + 0.5 + 0.2 * np.random.default_rng(1).standard_normal(truth.shape)
    answer[:2] = np.nan
    return answer


def both(answer: np.ndarray, truth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the answered pixels of both maps."""
    use = np.isfinite(answer) & np.isfinite(truth)
    return answer[use], truth[use]


@pytest.mark.parametrize("factor", [0.9, 1.04, 1.06, 1.24, 1.26, 2.0])
def test_a_constant_ratio_is_told_by_every_ratio_score(truth: np.ndarray, factor: float) -> None:
    """All depths times a factor from the origin: AbsRel |factor - 1|, no scale-free error.

    The thresholds are met on the right side of 1.05 and 1.25, either way round.
    """
    answer = ORIGIN_MM + factor * (truth - ORIGIN_MM)
    ratio = max(factor, 1 / factor)
    assert depth_abs_rel(answer, truth, origin_mm=ORIGIN_MM) == pytest.approx(abs(factor - 1))
    assert depth_scale_free(answer, truth, origin_mm=ORIGIN_MM) == pytest.approx(0.0, abs=1e-12)
    for threshold in (1.05, 1.25):
        got = delta_share(threshold)(answer, truth, origin_mm=ORIGIN_MM)
        assert got == float(ratio < threshold)


def test_relative_error_of_a_known_mixture() -> None:
    """Errors of 0.2 at 2 and of 0.4 at 8 mm from the origin: (0.1 + 0.05) / 2, by hand."""
    truth = np.array([[0.0, 6.0]])
    answer = np.array([[0.2, 5.6]])
    assert depth_abs_rel(answer, truth, origin_mm=ORIGIN_MM) == pytest.approx(0.075)


def test_what_is_not_answered_is_within_no_ratio(truth: np.ndarray, noisy: np.ndarray) -> None:
    """Neither NaN, nor an answer at or before the origin; a truth there is not scored."""
    answer = truth.copy()
    answer[:, :10] = np.nan
    answer[:, 10:20] = ORIGIN_MM - 1.0
    share = delta_share(1.05)
    assert share(answer, truth, origin_mm=ORIGIN_MM) == pytest.approx(900 / 1499)
    near = truth.copy()
    near[:, :25] = ORIGIN_MM
    assert share(near, near, origin_mm=ORIGIN_MM) == 1.0
    assert depth_abs_rel(near, near, origin_mm=ORIGIN_MM) == 0.0
    nowhere = np.full(truth.shape, ORIGIN_MM)
    assert math.isnan(share(nowhere, nowhere, origin_mm=ORIGIN_MM))


def test_scale_free_is_the_spread_of_the_logarithm(truth: np.ndarray, noisy: np.ndarray) -> None:
    """SciPy's geometric standard deviation of the ratios is e to its power."""
    answer, wanted = both(noisy, truth)
    ratio = (answer - ORIGIN_MM) / (wanted - ORIGIN_MM)
    got = depth_scale_free(noisy, truth, origin_mm=ORIGIN_MM)
    assert math.exp(got) == pytest.approx(gstd(ratio, ddof=0), rel=1e-12)
    # Eigen et al.'s own form: mean square of the logarithm less the square of its mean.
    logs = np.log(ratio)
    assert got**2 == pytest.approx(np.mean(logs**2) - np.mean(logs) ** 2, rel=1e-9)


def test_affine_free_is_what_a_regression_leaves(truth: np.ndarray, noisy: np.ndarray) -> None:
    """SciPy's line of the truth on the answers leaves std sqrt(1 - r^2)."""
    answer, wanted = both(noisy, truth)
    line = linregress(answer, wanted)
    left = wanted - (line.slope * answer + line.intercept)
    got = depth_affine_free_mm(noisy, truth)
    assert got == pytest.approx(np.sqrt(np.mean(left**2)), rel=1e-9)
    assert got == pytest.approx(wanted.std() * math.sqrt(1 - line.rvalue**2), rel=1e-9)


def test_scale_and_shift_cost_nothing_but_order_does(truth: np.ndarray) -> None:
    """Any line through the truth scores 0; near and far exchanged, or a level, its deviation."""
    assert depth_affine_free_mm(5.0 * truth - 7.0, truth) == pytest.approx(0.0, abs=1e-12)
    level = np.nanstd(truth)
    assert depth_affine_free_mm(-truth, truth) == pytest.approx(level)
    assert depth_affine_free_mm(np.ones_like(truth), truth) == pytest.approx(level)


def test_the_origin_lies_a_subject_s_depth_before_it() -> None:
    """Ratios of a subject from -1 to 3 mm count from -5: 4 to 8 mm."""
    assert ratio_origin_mm(-1.0, 3.0) == -5.0
    with pytest.raises(ValueError, match=r"far_mm must be > near_mm, got 1.0 \.\. 1.0"):
        ratio_origin_mm(1.0, 1.0)


@pytest.mark.parametrize("bad", [0.1, 0.35, 0.8])
def test_bad_pixels_against_coverage_have_a_closed_form(bad: float) -> None:
    """Hu & Mordohai: e + (1 - e) ln(1 - e) for the best order, e for none, by 40 000 pixels."""
    truth = np.zeros((200, 200))
    answer = truth.copy()
    count = round(bad * truth.size)
    answer.flat[np.random.default_rng(2).permutation(truth.size)[:count]] = 1.0
    best = bad_share_auc(answer, truth, confidence=-answer, dof_mm=0.5)
    assert best == pytest.approx(bad + (1 - bad) * math.log(1 - bad), abs=1e-4)
    assert bad_share_auc(answer, truth, confidence=truth, dof_mm=0.5) == pytest.approx(bad)
    worst = bad_share_auc(answer, truth, confidence=answer, dof_mm=0.5)
    # All bad ones first: 1 up to a coverage of e, then e / coverage.
    assert worst == pytest.approx(bad - bad * math.log(bad), abs=1e-3)


def test_no_answer_is_bad_and_least_sure() -> None:
    """One of four unanswered, though it claims the most: 0, 0, 0, 1/4."""
    truth = np.zeros((1, 4))
    answer = np.array([[np.nan, 0.0, 0.0, 0.0]])
    got = bad_share_auc(answer, truth, confidence=np.array([[9.0, 1, 2, 3]]), dof_mm=0.5)
    assert got == pytest.approx(1 / 16)


def test_sparsification_by_hand() -> None:
    """Errors 1, 2, 3, taken as 3, 1, 2: (3 + 2 + 2) / 3 less (1 + 1.5 + 2) / 3."""
    truth = np.zeros((1, 3))
    answer = np.array([[1.0, -2.0, 3.0]])
    got = depth_ause_mm(answer, truth, confidence=np.array([[2.0, 1.0, 3.0]]))
    assert got == pytest.approx((7 - 4.5) / 3)
    # NaN is the least sure, and no order is what chance gives: the mean at every coverage.
    unsure = depth_ause_mm(answer, truth, confidence=np.array([[2.0, 1.0, np.nan]]))
    assert unsure == pytest.approx(0.0)
    none = depth_ause_mm(answer, truth, confidence=np.ones((1, 3)))
    assert none == pytest.approx(2 - 1.5)


def test_a_confidence_that_knows_the_error_leaves_nothing(
    truth: np.ndarray, noisy: np.ndarray
) -> None:
    """0 for the error's own order, more for a noisy one, most for the opposite."""
    sure = -np.abs(noisy - truth)
    rough = sure + 0.1 * np.random.default_rng(3).standard_normal(sure.shape)
    found = [depth_ause_mm(noisy, truth, confidence=each) for each in (sure, rough, -sure)]
    assert found[0] == pytest.approx(0.0, abs=1e-12)
    assert found[0] < found[1] < found[2]


def test_without_a_confidence_there_is_no_score(truth: np.ndarray) -> None:
    """NaN with a reason; another shape is refused."""
    assert math.isnan(depth_ause_mm(truth, truth, confidence=None))
    assert math.isnan(bad_share_auc(truth, truth, confidence=None, dof_mm=0.1))
    assert "no confidence" in depth_ause_mm.record.status(math.nan)
    with pytest.raises(ValueError, match=r"shapes must be equal, got confidence \(1, 50\)"):
        depth_ause_mm(truth, truth, confidence=truth[:1])


def bar(left: int, right: int) -> np.ndarray:
    """Give a near bar between two columns, before a wall 2 mm behind."""
    surface = np.full((40, 60), 2.0)
    surface[:, left:right] = 0.0
    return surface


@pytest.mark.parametrize(
    ("answer", "expected"),
    [
        (bar(20, 40), 1.0),
        (bar(21, 39), 1.0),  # within a pixel
        (bar(22, 38), 0.0),  # two pixels off
        (bar(22, 40), 0.5),  # one of two found, one of two true
        (bar(20, 60), 2 / 3),  # one of two found, and it is true
        (np.minimum(bar(20, 40), bar(5, 10)), 2 / 3),  # both found, two of four true
        (bar(0, 0), 0.0),  # none found
    ],
)
def test_boundaries_count_as_a_classifier_s_f1(answer: np.ndarray, expected: float) -> None:
    """2 TP / (2 TP + FP + FN) of whole edges, by hand."""
    assert boundary_f1(answer, bar(20, 40), dof_mm=0.9) == pytest.approx(expected)


def test_a_step_of_two_depths_of_field_is_no_boundary() -> None:
    """2 mm are an edge for a depth of field below 1 mm alone; edges lie on the near side."""
    assert math.isnan(boundary_f1(bar(20, 40), bar(20, 40), dof_mm=1.0))
    near = np.zeros((40, 60), dtype=bool)
    near[:, 20] = True
    assert boundary_f1(bar(20, 40), bar(20, 40), dof_mm=0.9, mask=near) == 1.0
    assert math.isnan(boundary_f1(bar(20, 40), bar(20, 40), dof_mm=0.9, mask=np.roll(near, -1, 1)))


def test_rows_and_columns_have_boundaries_alike() -> None:
    """A bar that lies down scores as the one that stands."""
    for answer in (bar(22, 40), bar(20, 60)):
        standing = boundary_f1(answer, bar(20, 40), dof_mm=0.9)
        assert boundary_f1(answer.T, bar(20, 40).T, dof_mm=0.9) == standing


def test_all_at_once_takes_origin_and_confidence(truth: np.ndarray, noisy: np.ndarray) -> None:
    """`score_depth` gives what the single functions give."""
    sure = np.random.default_rng(4).random(truth.shape)
    mask = np.arange(50) < 30 + np.zeros((30, 1))
    options = {"dof_mm": 0.1, "origin_mm": ORIGIN_MM}
    found = depth.score_depth(noisy, truth, masks={"left": mask}, confidence=sure, **options)
    left = found["left"]
    assert left["depth_abs_rel"] == depth_abs_rel(noisy, truth, origin_mm=ORIGIN_MM, mask=mask)
    assert left["depth_ause_mm"] == depth_ause_mm(noisy, truth, confidence=sure, mask=mask)
    auc = bad_share_auc(noisy, truth, confidence=sure, dof_mm=0.1, mask=mask)
    assert left["bad_share_auc"] == auc
    without = depth.score_depth(noisy, truth, masks={"left": mask}, **options)["left"]
    assert math.isnan(without["depth_ause_mm"])
    assert without["depth_abs_rel"] == left["depth_abs_rel"]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: delta_share(1.0), "threshold_above_one must be positive, got 0.0"),
        (lambda: boundary_f1(bar(1, 2), bar(1, 2), dof_mm=0.0), "dof_mm must be positive, got 0.0"),
    ],
)
def test_bad_input_is_named(call: Callable[[], object], message: str) -> None:
    """What is wrong and what was got."""
    with pytest.raises(ValueError, match=message):
        call()
