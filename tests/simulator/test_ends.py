"""Starts that miss and stops that come late: a pass as it is really made."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from stacktruth.simulator.data import DataFileError
from stacktruth.simulator.handling.approach import Approach, cover, planned_mm
from stacktruth.simulator.handling.ends import Ends, draw_ends, lasts_s, performed
from stacktruth.simulator.handling.hands import Stance, load_stance

TIMES = np.arange(200) / 10
LEAN = cover(Approach(), near_mm=-0.5, far_mm=3.5, times_s=TIMES[:21])  # 2 s at 2 mm/s


def ends(start_mm=0.0, stop_mm=0.0, reaction_s=0.0):
    """Return how one pass misses its ends."""
    return Ends(start_mm=start_mm, stop_mm=stop_mm, reaction_s=reaction_s)


def test_without_errors_the_pass_is_the_planned_one():
    """An effect that is switched off changes nothing."""
    assert performed(LEAN, TIMES, frames=21, ends=ends()) == (LEAN, 21)


@pytest.mark.parametrize(
    ("missed", "frames"),
    [
        (ends(reaction_s=0.25), 23),  # 2.25 s at 10 frames a second, the first at 0
        (ends(stop_mm=1.0), 26),  # 1 mm farther at 2 mm/s is half a second longer
        (ends(start_mm=1.0), 16),  # starts late, sees the same end
        (ends(start_mm=-1.0, stop_mm=-1.0), 21),
        (ends(start_mm=99.0), 1),
    ],
)
def test_a_lean_ends_where_its_end_is_seen_and_a_reaction_later(missed, frames):
    """Distance over speed, and the reaction time (arithmetic)."""
    made, count = performed(LEAN, TIMES, frames=21, ends=missed)
    assert count == frames
    places = planned_mm(made, TIMES[:count], np.arange(count), seed=0, scene="s")
    assert places[0] == pytest.approx(-0.5 + missed.start_mm)
    if missed.start_mm < 9:
        np.testing.assert_allclose(np.diff(places), 0.2)


@pytest.mark.parametrize("kind", ["stepped", "focus-ring"])
def test_counted_steps_start_elsewhere_and_stop_by_count(kind):
    """Nobody reacts to the end of a count."""
    steps = Approach(kind=kind, start_mm=0.0, step_mm=0.1)
    made, count = performed(steps, TIMES, frames=8, ends=ends(0.3, 0.7, 0.25))
    assert (made.start_mm, made.step_mm, count) == (0.3, 0.1, 8)


def test_a_held_camera_stops_by_time():
    """Held still there is no place to stop at: the sway alone moves the plane of focus."""
    held = Approach(kind="hold", start_mm=1.0)
    made, count = performed(held, TIMES, frames=21, ends=ends(0.2, 5.0, 0.25))
    assert count == 23
    places = planned_mm(made, TIMES[:count], np.arange(count), seed=0, scene="s")
    np.testing.assert_allclose(places, 1.2)


def test_a_rock_is_twice_as_long_for_the_same_miss():
    """There and back: 1 mm farther at 4 mm/s is half a second."""
    rock = cover(Approach(kind="rock"), near_mm=0.0, far_mm=4.0, times_s=TIMES[:21])
    assert lasts_s(rock, ends(stop_mm=1.0), planned_s=2.0) == pytest.approx(2.5)


def test_errors_have_the_stances_spread_and_are_independent():
    """Chi-square bounds of a normal sample, to one false alarm in ten thousand."""
    stance = Stance(name="s", start_error_mm=0.4, stop_error_mm=0.8, reaction_s=0.2)
    drawn = [draw_ends(stance, seed=seed, scene="pass") for seed in range(3000)]
    missed = np.array([[one.start_mm, one.stop_mm] for one in drawn])
    low, high = stats.chi2.ppf([5e-5, 1 - 5e-5], 3000) / 3000
    for values, spread in zip(missed.T, (0.4, 0.8), strict=True):
        assert low < np.mean(values**2) / spread**2 < high
    assert abs(np.corrcoef(missed.T)[0, 1]) < 4 / np.sqrt(3000)
    assert {one.reaction_s for one in drawn} == {0.2}


@pytest.mark.parametrize(
    "name", ["standing", "elbows-tucked", "kneeling", "in-hand-stem", "braced"]
)
def test_shipped_start_errors_are_the_sway_of_a_reaction_time(name):
    """Rms speed 2 pi f0 A of a critically damped sway, times 231 ms (Woods et al. 2015)."""
    stance = load_stance(name)
    assert stance.reaction_s == pytest.approx(0.231, abs=0.005)
    speed = 2 * np.pi * stance.sway_hz * (1 - stance.coupling) * stance.sway_mm[2]
    assert stance.start_error_mm == pytest.approx(speed * 0.231, rel=0.05)
    assert stance.stop_error_mm == stance.start_error_mm


@pytest.mark.parametrize("key", ["start_error_mm", "stop_error_mm", "reaction_s"])
def test_an_error_below_zero_is_refused(tmp_path, key):
    """What, where, got."""
    bad = tmp_path / "bad.toml"
    bad.write_text(f"{key} = -1.0\n")
    with pytest.raises(DataFileError, match=key):
        load_stance(bad)
    with pytest.raises(ValueError, match=key):
        replace(load_stance("kneeling"), **{key: -1.0})
