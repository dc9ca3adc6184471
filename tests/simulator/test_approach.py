"""The intended pass: kinds, speeds, steps, and laying a pass over a subject."""

import numpy as np
import pytest
from scipy import stats

from stacktruth.simulator.handling.approach import Approach, cover, planned_mm

TIMES = np.linspace(0, 2, 201)


def planned(approach, times=TIMES):
    """Return the planned places of frames at some times."""
    return planned_mm(approach, times, np.arange(len(times)), seed=1, scene="pass")


def test_a_constant_lean_goes_on_behind_its_end():
    """A lean starts at its start and moves at its speed, also past its length."""
    lean = Approach(start_mm=-1.0, speed_mm_per_s=3.0, length_mm=2.0)
    np.testing.assert_allclose(planned(lean), -1 + 3 * TIMES)


def test_a_min_jerk_lean_has_its_known_peak_speed():
    """The smoothest move peaks at 15/8 of its mean speed, half-way, and stops at its end.

    Flash and Hogan, J. Neurosci. 5, 1688, 1985 (from memory).
    """
    lean = Approach(profile="min-jerk", length_mm=4.0, speed_mm_per_s=4.0)
    places = planned(lean)
    speed = np.gradient(places, TIMES)
    assert speed.max() == pytest.approx(4 * 15 / 8, rel=1e-3)
    assert TIMES[speed.argmax()] == pytest.approx(0.5, abs=0.011)
    np.testing.assert_allclose(places[TIMES >= 1], 4)


def test_a_rock_goes_forth_and_back():
    """A rock is at its far end after one length at its mean speed and home after two."""
    rock = Approach(kind="rock", start_mm=1.0, length_mm=3.0, speed_mm_per_s=3.0)
    np.testing.assert_allclose(planned(rock, np.array([0.0, 0.5, 1.0, 2.0])), [1, 2.5, 4, 1])


@pytest.mark.parametrize("kind", ["stepped", "focus-ring"])
def test_steps_are_regular_whatever_the_time(kind):
    """Each frame of a stepped pass is one step on."""
    places = planned(Approach(kind=kind, start_mm=-0.5, step_mm=0.1), TIMES[[0, 5, 50, 51]])
    np.testing.assert_allclose(places, [-0.5, -0.4, -0.3, -0.2])


def test_step_errors_have_their_size_and_do_not_add_up():
    """Each stop misses its own place by the stated spread, however late it comes."""
    pass_ = Approach(kind="stepped", step_mm=0.1, step_error_mm=0.02)
    frames = np.arange(4000)
    errors = planned(pass_, frames.astype(float)) - 0.1 * frames
    low, high = stats.chi2.ppf([1e-4, 1 - 1e-4], 3999) / 3999
    assert low < errors.var(ddof=1) / 0.02**2 < high
    assert abs(np.corrcoef(errors[1:], errors[:-1])[0, 1]) < 4 / np.sqrt(4000)


@pytest.mark.parametrize("kind", ["lean", "stepped", "focus-ring"])
@pytest.mark.parametrize("profile", ["constant", "min-jerk"])
def test_cover_lays_the_pass_from_near_to_far(kind, profile):
    """The first frame is at the near end and the last at the far end."""
    times = np.arange(11) / 5
    pass_ = cover(Approach(kind=kind, profile=profile), near_mm=-1.5, far_mm=2.5, times_s=times)
    places = planned(pass_, times)
    assert places[0] == pytest.approx(-1.5)
    assert places[-1] == pytest.approx(2.5)


def test_cover_lays_a_rock_forth_and_back():
    """A rock reaches the far end half-way through the frames and comes back."""
    times = np.arange(11) / 5
    places = planned(cover(Approach(kind="rock"), near_mm=0.0, far_mm=2.0, times_s=times), times)
    np.testing.assert_allclose(places[[0, 5, 10]], [0, 2, 0], atol=1e-12)


def test_cover_refuses_an_empty_range():
    """The far end must be behind the near one."""
    with pytest.raises(ValueError, match=r"far_mm must be > near_mm, got 1.0 .. 1.0 mm"):
        cover(Approach(), near_mm=1.0, far_mm=1.0, times_s=[0, 1])
