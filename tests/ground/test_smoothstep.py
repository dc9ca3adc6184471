"""The smooth rise."""

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline

from stacktruth.ground.smoothstep import smoothstep


def test_it_is_the_cubic_that_is_level_at_both_ends():
    """As scipy's Hermite spline between 0 and the height with slopes 0; constant beyond."""
    t = np.linspace(0, 1, 101)
    expected = CubicHermiteSpline([0, 1], [0, 0.7], [0, 0])(t)
    np.testing.assert_allclose(smoothstep(t, height=0.7), expected, atol=1e-15)
    np.testing.assert_array_equal(smoothstep(np.array([-5.0, 0, 1, 9])), [0, 0, 1, 1])


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_precision_is_that_of_what_it_is_given(dtype):
    """Single stays single."""
    assert smoothstep(np.linspace(0, 1, 5, dtype=dtype)).dtype == dtype
