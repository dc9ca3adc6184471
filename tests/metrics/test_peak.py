"""Peak of a focus curve between the frames."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacktruth.metrics.focus.peak import (
    find_peak,
    gaussian_offset,
    parabola_offset,
)

OFFSETS = np.linspace(-0.5, 0.5, 20001)
SAMPLES = np.array([-1.0, 0.0, 1.0])[:, None]


def lorentzian(distance, half_width, power):
    """Focus curve of a Gaussian beam, raised to a power."""
    return (1.0 + (distance / half_width) ** 2) ** -power


# Worst bias in steps. No published table is at hand: the values were worked out once, by a separate
# dense search over true offsets, for the closed forms of the two fits.
@pytest.mark.parametrize(
    ("sigma", "bias"),
    [(0.5, 0.1688), (0.7071, 0.0928), (1.0, 0.0477), (1.5, 0.0213), (2.0, 0.0120), (3.0, 0.0054)],
)
def test_parabola_on_a_gaussian_has_the_tabled_bias(sigma, bias):
    """The parabola through a Gaussian focus curve errs by the tabled amount at worst."""
    curve = np.exp(-0.5 * ((SAMPLES - OFFSETS) / sigma) ** 2)
    assert np.abs(parabola_offset(*curve) - OFFSETS).max() == pytest.approx(bias, abs=1e-4)


@pytest.mark.parametrize("sigma", [0.5, 0.7071, 1.0, 1.5, 2.0, 3.0])
def test_gaussian_on_a_gaussian_is_exact(sigma):
    """The Gaussian through a Gaussian focus curve has no bias at all."""
    curve = np.exp(-0.5 * ((SAMPLES - OFFSETS) / sigma) ** 2)
    np.testing.assert_allclose(gaussian_offset(*curve), OFFSETS, atol=1e-12)


@pytest.mark.parametrize("power", [1.0, 1.5, 2.0, 3.0])
@pytest.mark.parametrize(("width", "bias"), [(0.5, 0.1090), (1, 0.0571), (2, 0.0204), (3, 0.0099)])
def test_gaussian_on_a_lorentzian_has_one_bias_for_every_power(power, width, bias):
    """The logarithm turns the power of a Lorentzian into a factor, which no vertex depends on."""
    curve = lorentzian(SAMPLES - OFFSETS, width, power)
    assert np.abs(gaussian_offset(*curve) - OFFSETS).max() == pytest.approx(bias, abs=1e-4)


@pytest.mark.parametrize(
    ("power", "biases"),
    [
        (1.0, [0.2024, 0.1116, 0.0406, 0.0197]),
        (1.5, [0.2391, 0.1369, 0.0506, 0.0247]),
        (2.0, [0.2692, 0.1604, 0.0605, 0.0296]),
        (3.0, [0.3136, 0.2019, 0.0799, 0.0393]),
    ],
)
def test_parabola_on_a_lorentzian_has_the_tabled_bias(power, biases):
    """The parabola does feel the power of a Lorentzian."""
    for width, bias in zip([0.5, 1, 2, 3], biases, strict=True):
        curve = lorentzian(SAMPLES - OFFSETS, width, power)
        assert np.abs(parabola_offset(*curve) - OFFSETS).max() == pytest.approx(bias, abs=1e-4)


@pytest.mark.parametrize(("spacing", "published"), [(0.5, 0.0106), (1.0, 0.0065), (1.5, 0.0068)])
def test_noise_of_the_fit_follows_the_spacing_of_the_samples(spacing, published):
    """Samples one width of the curve apart resist noise best: RMS in widths at 0.5 % noise."""
    rng = np.random.default_rng(5)
    true = rng.uniform(-0.5, 0.5, 100_000) * spacing
    curve = np.exp(-0.5 * (SAMPLES * spacing - true) ** 2)
    found = spacing * gaussian_offset(*(curve + rng.normal(0.0, 0.005, curve.shape)))
    assert np.sqrt(np.mean((found - true) ** 2)) == pytest.approx(published, rel=0.02)


@pytest.mark.parametrize("stride", [1, 2, 3])
def test_stream_of_maps_finds_what_the_whole_curve_holds(stride):
    """A generator of maps gives the exact peak of Gaussian curves for every stride."""
    rng = np.random.default_rng(1)
    true = rng.uniform(4.0, 15.0, (6, 7))
    maps = (np.exp(-0.5 * ((k - true) / 2.5) ** 2) for k in range(20))
    peak = find_peak(maps, stride=stride)
    np.testing.assert_allclose(peak.position, true, atol=1e-12)
    np.testing.assert_array_equal(peak.frame, np.rint(true))


@given(st.lists(st.floats(0.1, 10.0), min_size=1, max_size=12), st.integers(1, 4))
def test_peak_stays_within_half_a_stride_of_the_largest_sample(values, stride):
    """Any curve: the peak is inside the sweep and near its largest sample, the first of equals."""
    curve = np.array(values)
    for kind in ("gaussian", "parabola"):
        position = find_peak(curve, kind=kind, stride=stride).position
        assert 0.0 <= position <= len(curve) - 1
        assert abs(position - np.argmax(curve)) <= 0.5 * stride


@given(st.lists(st.floats(0.1, 10.0), min_size=3, max_size=9), st.floats(0.01, 100.0))
def test_scale_of_the_curve_does_not_move_the_peak(values, scale):
    """Twice the focus measure has its peak at the same place."""
    curve = np.array(values)
    plain, scaled = (find_peak(values).position for values in (curve, curve * scale))
    assert scaled == pytest.approx(plain, abs=1e-6)


def test_peak_at_the_end_of_the_sweep_is_not_interpolated():
    """Without a sample behind it the last frame is the answer."""
    assert find_peak(np.array([1.0, 2.0, 3.0])).position == 2.0
    assert find_peak(np.array([1.0, 2.0, 9.0, 3.0]), stride=2).position == 2.0


def test_samples_without_a_logarithm_leave_the_frame():
    """A focus value of 0 or below stops the Gaussian, not the parabola."""
    curve = np.array([-1.0, 4.0, 3.0])
    assert find_peak(curve).position == 1.0
    assert find_peak(curve, kind="parabola").position == pytest.approx(1.0 + 1.0 / 3.0)


def test_nan_never_wins():
    """A frame without a value is passed over; a pixel without any value has no peak."""
    curves = np.array([[np.nan, np.nan], [2.0, np.nan], [1.0, np.nan]])
    position = find_peak(curves, kind="argmax").position
    np.testing.assert_array_equal(position, [1.0, np.nan])


def test_wrong_requests_are_refused():
    """Each refusal says what was got and what is allowed."""
    with pytest.raises(ValueError, match="kind must be one of argmax, gaussian, parabola, got 'x'"):
        find_peak(np.ones((3, 2)), kind="x")
    with pytest.raises(ValueError, match="stride must be a whole number of frames >= 1, got 0"):
        find_peak(np.ones(3), stride=0)
    with pytest.raises(ValueError, match="no focus map given"):
        find_peak([])
    with pytest.raises(ValueError, match=r"focus map 1 has shape \(2,\), the first has \(3,\)"):
        find_peak([np.ones(3), np.ones(2)])
