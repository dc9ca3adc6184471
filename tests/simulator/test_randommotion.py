"""Random motions: their spectra carry their rms, and they run on without changing."""

import numpy as np
import pytest

from stacktruth.simulator.handling.random_motion import (
    KNOT_S,
    draw_sway,
    draw_tremor,
    drift,
    knots_until,
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
