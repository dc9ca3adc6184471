"""Whole-frame focus measures, criteria of focus curves, and the noise of energy measures."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage

from stacktruth.metrics.focus.autofocus import WHOLE_FRAME
from stacktruth.metrics.focus.curves import CurveCriteria, curve_criteria, rank_sums


def noise(sigma=0.03, shape=(700, 700)):
    """White noise on a flat ground."""
    return np.random.default_rng(3).normal(0.5, sigma, shape)


# Expectation for white noise of standard deviation s: s^2 or s times the constant.
@pytest.mark.parametrize(
    ("name", "power", "constant"),
    [
        ("absolute_gradient", 1, 2.0 / math.sqrt(math.pi)),
        ("squared_gradient", 2, 2.0),
        ("gradient_energy", 2, 4.0),
        ("spatial_frequency", 1, 2.0),
        ("modulus_difference", 1, 4.0 / math.sqrt(math.pi)),
        ("brenner", 2, 2.0),
        ("tenengrad", 2, 24.0),
        ("laplacian_energy", 2, 468.0),
        ("laplacian_sum", 1, 4.0 * math.sqrt(3.0 / math.pi)),
        ("wavelet_energy", 2, 3.0),
        ("wavelet_variance", 2, 3.0),
        ("variance", 2, 1.0),
        ("normalised_variance", 2, 2.0),
        ("vollath_f4", 2, 0.0),
        ("vollath_f5", 2, 0.0),
        ("high_pass_energy", 2, 1.0 - math.pi / 64.0),
    ],
)
def test_white_noise_gives_the_constant_of_the_measure(name, power, constant):
    """The value of a large noise frame is the constant that theory gives, within 1 %."""
    got = WHOLE_FRAME[name](noise()) / 0.03**power
    # Vollath's two are left with a product of noises of relative spread 1 / 700.
    assert got == pytest.approx(constant, rel=0.01, abs=0.02)


def test_histogram_measures_have_their_plain_values():
    """Range, entropy, content, count and power of a frame of two greys."""
    frame = np.tile([[0.2, 0.8]], (10, 5))
    assert WHOLE_FRAME["grey_range"](frame) == pytest.approx(0.6)
    assert WHOLE_FRAME["entropy"](frame) == pytest.approx(1.0)
    assert WHOLE_FRAME["thresholded_content"](frame) == pytest.approx(0.4)
    assert WHOLE_FRAME["thresholded_count"](frame) == pytest.approx(0.5)
    assert WHOLE_FRAME["image_power"](frame) == pytest.approx(0.34)
    assert WHOLE_FRAME["normalised_variance"](frame) == pytest.approx(0.09 / 0.5)


@pytest.mark.parametrize("name", sorted(set(WHOLE_FRAME) - {"thresholded_count"}))
def test_focus_falls_with_blur(name):
    """Bright and dark spots under a wider Gaussian have a smaller value, one frame or a stack.

    The count of dark pixels is left out: it follows the balance of dark and bright.
    """
    sharp = np.full((64, 64), 0.45)
    spots = np.random.default_rng(0).random((64, 64))
    sharp[spots > 0.9], sharp[spots < 0.1] = 1.0, 0.0
    sharp = ndimage.gaussian_filter(sharp, 0.7)
    frames = np.stack([ndimage.gaussian_filter(sharp, blur) for blur in (0.01, 1.5, 4.0)])
    values = WHOLE_FRAME[name](frames)
    assert values[0] > values[1] > values[2]
    assert WHOLE_FRAME[name](frames[1]) == pytest.approx(values[1])


@pytest.mark.parametrize("name", WHOLE_FRAME)
def test_flat_and_black_frames_have_a_value(name):
    """No texture, no light: still a finite number."""
    for grey in (0.0, 0.4):
        assert np.isfinite(WHOLE_FRAME[name](np.full((12, 16), grey)))


@pytest.mark.parametrize(
    "name", ["absolute_gradient", "squared_gradient", "brenner", "tenengrad", "laplacian_sum"]
)
def test_thresholds_keep_large_values_only(name):
    """A threshold above all values gives 0, one below all changes nothing."""
    frame = noise(shape=(40, 40))
    assert WHOLE_FRAME[name](frame, threshold=100.0) == 0.0
    assert 0.0 < WHOLE_FRAME[name](frame, threshold=0.05) < WHOLE_FRAME[name](frame)


def test_small_frames_are_refused():
    """Two pixels have no second difference."""
    with pytest.raises(ValueError, match=r"3 pixels or more either way, got \(2, 9\)"):
        WHOLE_FRAME["brenner"](np.zeros((2, 9)))


def test_criteria_of_a_known_curve():
    """A triangle with one small false maximum: every criterion by hand."""
    curve = [0.0, 2.0, 1.0, 4.0, 10.0, 6.0, 2.0, 0.0]
    found = curve_criteria(curve, true_frame=4.5)
    # Minima beside the peak: frames 2 and 7. Half height 5: 3 + 1/6 on the left, 5.25 on the right.
    assert found.accuracy == 0.5
    assert found.range == 5.0
    assert found.false_maxima == 1
    assert found.width == pytest.approx(5.25 - (3.0 + 1.0 / 6.0))
    assert found.noise == pytest.approx(0.1**2)


def test_width_of_a_gaussian_curve():
    """A finely sampled Gaussian has a width of 2.3548 sigma, no false maxima and no noise."""
    frames = np.arange(201)
    found = curve_criteria(np.exp(-0.5 * ((frames - 100) / 12.0) ** 2), true_frame=100)
    assert found.width == pytest.approx(2.0 * math.sqrt(2.0 * math.log(2.0)) * 12.0, rel=1e-3)
    assert (found.false_maxima, found.noise, found.accuracy) == (0, 0.0, 0.0)
    assert found.range == 200.0


@given(st.lists(st.floats(-10, 10), min_size=3, max_size=15))
def test_criteria_do_not_depend_on_scale(values):
    """Any curve: criteria are finite and within the sweep, and a gain changes none."""
    curve = np.round(np.array(values), 3)
    found = curve_criteria(curve, true_frame=1.0)
    assert 0.0 <= found.width <= len(curve) - 1
    assert 0 <= found.false_maxima < len(curve)
    assert found.noise >= 0.0
    again = curve_criteria(2.0 * curve, true_frame=1.0)
    assert again == found


def test_flat_curve_has_the_whole_sweep_as_width():
    """No peak at all: the worst width, no false maxima."""
    assert curve_criteria(np.ones(6), true_frame=2.0) == CurveCriteria(2.0, 5.0, 0, 5.0, 0.0)


def test_rank_sums_order_the_measures():
    """A curve that is better in every respect has the smallest sum; equals share ranks."""
    good, bad = CurveCriteria(0.0, 9.0, 0, 2.0, 0.0), CurveCriteria(1.0, 4.0, 3, 5.0, 0.2)
    sums = rank_sums({"good": good, "bad": bad, "as good": good})
    assert sums == {"good": 7.5, "bad": 15.0, "as good": 7.5}
    assert rank_sums({}) == {}


def test_wrong_requests_are_refused():
    """Short curves and NaN are named."""
    with pytest.raises(ValueError, match=r"three frames or more, got \(2,\)"):
        curve_criteria([1.0, 2.0], true_frame=0)
    with pytest.raises(ValueError, match="values must be finite"):
        curve_criteria([1.0, np.nan, 2.0], true_frame=0)
