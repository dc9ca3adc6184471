"""Random motions: their spectra carry their rms, and they run on without changing."""

import numpy as np
import pytest
from scipy.signal import lfilter

from stacktruth.simulator.handling.random_motion import (
    KNOT_S,
    _recursive,
    draw_sway,
    draw_tremor,
    drift,
    knots_until,
    sway_law,
    tremor_law,
)
from tests.simulator.spectra import sway_psd, tremor_psd

FREQUENCY = np.linspace(0, 400, 800_001)


def test_spectra_hold_the_variance():
    """Both one-sided spectra integrate to the rms squared."""
    sway = np.trapezoid(sway_psd(FREQUENCY, rms=3.0, corner_hz=0.25), FREQUENCY)
    tremor = np.trapezoid(
        tremor_psd(FREQUENCY, rms=2.0, centre_hz=8.0, half_width_hz=1.25), FREQUENCY
    )
    assert sway == pytest.approx(9, rel=1e-4)
    assert tremor == pytest.approx(4, rel=1e-4)


def test_half_width_is_where_the_resonance_falls_to_half():
    """A narrow resonance falls to half its peak one half-width off its centre."""
    peak, left, right = tremor_psd([8.0, 7.9, 8.1], rms=1.0, centre_hz=8.0, half_width_hz=0.1)
    assert left / peak == pytest.approx(0.5, rel=0.02)
    assert right / peak == pytest.approx(0.5, rel=0.02)


def test_longer_motions_begin_with_the_shorter_ones():
    """Asking for more knots of any motion keeps the first ones, bit for bit."""
    for draw in (
        lambda n: draw_sway(np.random.default_rng(1), n, rms=[1.0, 2.0], corner_hz=0.3).position,
        lambda n: (
            draw_tremor(
                np.random.default_rng(1), np.full(n, 8.0), rms=[1.0], half_width_hz=1.0
            ).velocity
        ),
        lambda n: drift(np.random.default_rng(1), n, mean=8.0, rms=1.0, memory_s=20.0),
    ):
        np.testing.assert_array_equal(draw(5001)[:777], draw(777))


@pytest.mark.parametrize("keep", [0.99, 0.97 + 0.0j, 0.9 - 0.3j])
def test_what_is_kept_from_knot_to_knot_is_a_recursive_filter(keep):
    """Bit for bit what SciPy's filter with one pole gives: published passes were drawn with it."""
    pushes = np.random.default_rng(3).standard_normal((900, 3, 2)) @ [1, 1j]
    pushes = pushes if isinstance(keep, complex) else pushes.real
    np.testing.assert_array_equal(
        _recursive(keep, pushes), lfilter([1.0], [1.0, -keep], pushes, axis=0), strict=True
    )


def test_between_knots_the_motion_is_smooth():
    """Place and velocity have no jump at a knot."""
    motion = draw_sway(np.random.default_rng(2), 50, rms=[1.0], corner_hz=0.5)
    knots = KNOT_S * np.arange(1, 48)
    for look in (motion.at, motion.velocity_at):
        np.testing.assert_allclose(look(knots - 1e-9), look(knots + 1e-9), atol=1e-5)
    np.testing.assert_allclose(motion.at(knots)[:, 0], motion.position[1:48, 0], atol=1e-9)


def test_times_outside_the_draw_are_refused():
    """A time before the start or behind the end is named."""
    motion = draw_sway(np.random.default_rng(2), 51, rms=[1.0], corner_hz=0.5)
    with pytest.raises(ValueError, match=r"0 \.\. 0\.2 s, the part drawn, got 0\.1 \.\. 0\.3 s"):
        motion.at([0.1, 0.3])
    with pytest.raises(ValueError, match="until_s must be >= 0 and finite, got inf"):
        knots_until(np.inf)


@pytest.mark.parametrize(("centre_hz", "half_width_hz"), [(8.0, 1.25), (2.0, 3.0)])
def test_a_tremor_starts_as_its_autocovariance_says(centre_hz, half_width_hz):
    """Position and velocity of a damped resonance, exp(-g t) (cos w t + g/w sin w t).

    Its variance is 1 at t = 0, that of the velocity -R''(0), here by differences; the two are
    independent at one time, for R'(0) = 0.
    """
    turn, decay = 2 * np.pi * centre_hz, 2 * np.pi * half_width_hz
    lag = 1e-4 / (turn + decay)
    shape = np.cos(turn * lag) + decay / turn * np.sin(turn * lag)
    speed_square = 2 * (1 - np.exp(-decay * lag) * shape) / lag**2
    _, found = tremor_law(np.array(turn), decay, 0.01)
    both = decay / turn  # of position with (velocity + decay * position) / turn
    wanted = [[1.0, both], [both, speed_square / turn**2 + both**2]]
    np.testing.assert_allclose(found, wanted, rtol=1e-3)


@pytest.mark.parametrize("seconds", [0.004, 0.3, 2.0])
def test_a_step_of_sway_is_its_autocovariance(seconds):
    """Of R(t) = (1 + w t) exp(-w t): a state's share in a later one, by differences of R.

    The state is (position, velocity / w), of independent parts with variance 1.
    """
    rate, lag = 2 * np.pi * 0.3, 1e-4

    def before_and_after(times):
        return (1 + rate * times) * np.exp(-rate * times)

    left, here, right = before_and_after(seconds + lag * np.array([-1.0, 0.0, 1.0]))
    slope, bend = (right - left) / (2 * lag), (right - 2 * here + left) / lag**2
    step, _ = sway_law(rate, seconds)
    wanted = [[here, -slope / rate], [slope / rate, -bend / rate**2]]
    np.testing.assert_allclose(step, wanted, rtol=1e-4, atol=1e-6)
