"""What random passes cover, against the published chances of covering a circle and a line."""

from math import comb, inf

import numpy as np
import pytest
from scipy import stats

from stacktruth.metrics.frames import score_frames
from stacktruth.runners.plan.draw.coverage import cover_depth, needed_frames
from stacktruth.runners.plan.draw.forecast import share_interval
from stacktruth.runners.plan.draw.way import Goal, regular_frames, swung_pass
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.optics import DepthOfField

TRIES = 20_000


def circle_covered(arcs, length):
    """Return the chance that so many random arcs cover a circle of circumference 1.

    W. L. Stevens, Solution to a geometrical problem in probability, Annals of Eugenics 9, 315
    (1939); the same in H. Solomon, Geometric Probability (1978), p. 75.
    """
    terms = range(int(1 / length) + 1)
    return sum((-1) ** j * comb(arcs, j) * max(0.0, 1 - j * length) ** (arcs - 1) for j in terms)


def line_covered(lanes, length):
    """Return the chance that lanes with centres anywhere on a line of length 1 cover it.

    Cut Stevens' circle open: n random points leave n + 1 spacings, whose chance to be longer than
    given lengths adding up to s is (1 - s)^n (W. Feller, An Introduction to Probability Theory
    and Its Applications II, section I.7). The n - 1 inner ones may be as long as a lane, the two
    at the ends half as long; inclusion and exclusion over those that are longer.
    """
    return sum(
        (-1) ** (ends + inner)
        * comb(2, ends)
        * comb(lanes - 1, inner)
        * max(0.0, 1 - ends * length / 2 - inner * length) ** lanes
        for ends in range(3)
        for inner in range(lanes)
    )


def random_planes(frames, low=0.0, high=1.0, *, tries=TRIES, seed=0):
    """Return planes of focus anywhere from low to high, shape (tries, frames)."""
    return np.random.default_rng([seed, frames]).uniform(low, high, (tries, frames))


def lane(total, near_share=0.5):
    """Return a lane of a total depth."""
    return DepthOfField(near_mm=near_share * total, far_mm=(1 - near_share) * total)


def covered(planes, length, **kwargs):
    """Return what all frames cover of the depth from 0 to 1."""
    return cover_depth(planes, np.array(True), lane=lane(length, **kwargs), near_mm=0.0, far_mm=1.0)


def assert_share(hits, chance):
    """Assert that a number of hits is what a chance gives, to one false alarm in a million."""
    low, high = stats.binom.ppf([5e-7, 1 - 5e-7], TRIES, chance)
    assert low <= hits <= high


SETTINGS = [(12, 0.25), (25, 0.18), (60, 0.1)]


@pytest.mark.parametrize(("frames", "length"), SETTINGS)
def test_random_lanes_cover_a_circle_as_stevens_says(frames, length):
    """Lanes that come round again cover the circle with the published chance."""
    planes = random_planes(frames)
    round_again = np.concatenate([planes - 1, planes, planes + 1], axis=1)
    chance = circle_covered(frames, length)
    assert 0.05 < chance < 0.95
    assert_share(covered(round_again, length).whole.sum(), chance)


@pytest.mark.parametrize(("frames", "length"), SETTINGS)
def test_random_lanes_cover_a_line_as_its_spacings_say(frames, length):
    """Lanes with centres in the depth cover it with the chance of short enough spacings."""
    chance = line_covered(frames, length)
    assert 0.02 < chance < 0.95
    assert_share(covered(random_planes(frames), length).whole.sum(), chance)


@pytest.mark.parametrize(("frames", "length"), SETTINGS)
def test_a_line_that_lanes_may_overhang_is_a_circle_with_one_arc_more(frames, length):
    """Cut open at the start of one arc, Stevens' circle is a line with a lane less."""
    scaled = length / (1 - length)
    planes = random_planes(frames - 1, -scaled / 2, 1 + scaled / 2)
    assert_share(covered(planes, scaled).whole.sum(), circle_covered(frames, length))


@pytest.mark.parametrize(("frames", "length"), [(5, 0.1), (12, 0.25), (25, 0.05)])
def test_the_expected_share_is_that_of_independent_misses(frames, length):
    """A point of the circle is missed by all arcs with chance (1 - length)^n."""
    planes = random_planes(frames)
    share = covered(np.concatenate([planes - 1, planes, planes + 1], axis=1), length).share
    error = share.std() / np.sqrt(TRIES)
    assert abs(share.mean() - 1 + (1 - length) ** frames) < 5 * error


def test_the_line_formula_is_right_where_it_is_easy():
    """One lane longer than twice the line always covers it, one shorter than it never."""
    assert line_covered(1, 2.0) == pytest.approx(1)
    assert line_covered(1, 0.9) == pytest.approx(0)
    assert line_covered(2, 1.0) == pytest.approx(1 - 2 * 0.25)


@pytest.mark.parametrize("frames", [1, 2, 7, 30])
def test_share_gap_and_needed_frames_agree_with_the_score_of_frames(frames):
    """The vectorised numbers are those of the metric that scores one choice of frames."""
    planes = random_planes(frames, -0.4, 1.4, tries=60)
    usable = np.random.default_rng(2).random(planes.shape) < 0.8
    depth = {"lane": lane(0.15), "near_mm": 0.0, "far_mm": 1.0}
    found = cover_depth(planes, usable, **depth)
    needed = needed_frames(planes, usable, **depth)
    for row, counts in enumerate(usable):
        single = score_frames(planes[row, counts], dof_mm=0.15, near_mm=0.0, far_mm=1.0)
        assert found.share[row] == pytest.approx(single.covered_share, abs=1e-12)
        assert found.largest_gap_mm[row] == pytest.approx(single.largest_gap_mm, abs=1e-12)
        assert needed[row] == single.needed
        assert found.whole[row] == (single.covered_share > 1 - 1e-9)


def test_frames_that_do_not_count_are_as_good_as_none():
    """Without usable frames nothing is covered, and the gap is the whole depth."""
    planes = random_planes(4, tries=3)
    found = cover_depth(planes, np.array(False), lane=lane(9.0), near_mm=0.0, far_mm=1.0)
    assert not found.whole.any()
    np.testing.assert_allclose(found.share, 0)
    np.testing.assert_allclose(found.largest_gap_mm, 1)


def test_the_lane_reaches_as_far_as_it_says_on_either_side():
    """A lane that is deeper behind than before the plane of focus is laid that way round."""
    found = covered(np.array([[0.5]]), 0.4, near_share=0.25)
    assert found.share[0] == pytest.approx(0.4)
    assert found.largest_gap_mm[0] == pytest.approx(0.4)


def test_a_depth_turned_round_is_refused():
    """The far end must lie behind the near end."""
    with pytest.raises(ValueError, match="far_mm must be > near_mm"):
        cover_depth(np.zeros((1, 1)), np.array(True), lane=lane(1.0), near_mm=1.0, far_mm=1.0)


@pytest.mark.parametrize(
    ("depth", "step", "frames"),
    [(3.0, 0.15, 21), (3.0, 0.16, 20), (3.01, 0.15, 22), (0.3, 0.1, 4), (0.1, 0.15, 2)],
)
def test_regular_steps_take_their_exact_number_of_frames(depth, step, frames):
    """A depth takes ceil(depth / step) steps and one frame more (rounding does not add one)."""
    assert regular_frames(depth, step) == frames


@pytest.mark.parametrize(("depth", "step"), [(0.0, 0.1), (1.0, 0.0), (1.0, -0.1)])
def test_steps_that_lead_nowhere_are_refused(depth, step):
    """Depth and step are positive."""
    with pytest.raises(ValueError, match="depth_mm and step_mm must be > 0"):
        regular_frames(depth, step)


@pytest.mark.parametrize(("hits", "tries"), [(0, 10), (3, 10), (10, 10), (9012, 10_000)])
def test_the_interval_of_a_chance_is_the_exact_one(hits, tries):
    """SciPy's exact binomial interval (Clopper and Pearson) is the same."""
    wanted = stats.binomtest(hits, tries).proportion_ci(method="exact")
    assert share_interval(hits, tries) == pytest.approx((wanted.low, wanted.high), abs=1e-12)
    assert inf not in share_interval(hits, tries)


def test_a_laid_pass_ends_where_its_lanes_end():
    """The first frame's lane ends at the nearest point, the last one's begins at the farthest.

    So the pass goes as far beyond the depth as one frame can see, and no farther.
    """
    goal = Goal(
        depth_mm=2.0,
        lane=DepthOfField(near_mm=0.1, far_mm=0.3),
        approach=Approach(kind="lean"),
        overlap=0.2,
        handheld=True,
    )
    approach = swung_pass(goal, np.linspace(0.0, 4.0, 9))
    first, last = approach.start_mm, approach.start_mm + approach.length_mm
    assert first + goal.lane.far_mm == pytest.approx(0.0)
    assert last - goal.lane.near_mm == pytest.approx(goal.depth_mm)
    slack = swung_pass(goal, np.linspace(0.0, 4.0, 9), slack_mm=0.5)
    assert slack.length_mm == pytest.approx(approach.length_mm + 0.5)
