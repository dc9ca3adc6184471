"""The sRGB transfer function against outside values, within 0..1 and beyond."""

import numpy as np
import pytest
from skimage.color import rgb2xyz

from stacktruth.ground.srgb import LUMA, clipped_srgb, decode_srgb, encode_srgb, luma


@pytest.mark.parametrize(
    ("linear", "encoded"),
    [
        (0.18, 0.461356129500442),  # as in the tests of a colour library
        (0.0, 0.0),
        (1.0, 1.0),
        (0.5, 0.735356983),  # this and the rest worked out from the formulas of IEC 61966-2-1
        (0.001, 0.012920),
        (0.01, 0.0998528),
        (0.214041140, 0.5),
        (0.000303527, 1 / 255),
        (0.502886, 188 / 255),
    ],
)
def test_encoding_and_decoding_meet_the_check_values(linear, encoded):
    """Both ways, to the precision of float32."""
    assert encode_srgb(linear) == pytest.approx(encoded, abs=1e-6)
    assert decode_srgb(encoded) == pytest.approx(linear, abs=1e-6)


def test_decoding_agrees_with_scikit_image():
    """The Y of scikit-image's CIE XYZ of a grey is its linear light."""
    grey = np.linspace(0, 1, 256)
    y = rgb2xyz(np.repeat(grey[:, None], 3, axis=1))[:, 1]
    np.testing.assert_allclose(decode_srgb(grey), y, atol=1e-6)
    np.testing.assert_allclose(decode_srgb(grey, dtype=np.float64), y, atol=1e-12)


def test_beyond_black_and_white_the_curve_goes_on_mirrored():
    """Below 0 it is the mirror image (CSS Color 4, section on sRGB); above 1 the power goes on."""
    light = np.linspace(-3, 3, 601, dtype=np.float32)
    encoded = encode_srgb(light)
    np.testing.assert_array_equal(encoded, -encode_srgb(-light))
    np.testing.assert_allclose(decode_srgb(encoded), light, rtol=1e-5, atol=1e-6)
    assert encode_srgb(2.0) == pytest.approx(1.353256, abs=1e-6)  # 1.055 * 2**(1/2.4) - 0.055
    assert (np.diff(encoded) > 0).all()


def test_what_a_file_can_hold_is_cut_at_black_and_white():
    """Outside 0..1 it is black or white, inside the plain curve."""
    light = np.float32([-0.5, -0.001, 0.0, 0.18, 1.0, 7.0])
    expected = np.float32([0, 0, 0, 0.4613561, 1, 1])
    np.testing.assert_allclose(clipped_srgb(light), expected, atol=1e-6)


def test_luma_is_the_y_of_scikit_image():
    """Weights are those of BT.709's Y; a grey picture is its own luma."""
    colours = np.eye(3)[None]
    y = rgb2xyz(np.where(colours > 0, 1.0, 0.0))[..., 1]  # white and black are fixed points
    np.testing.assert_allclose(luma(colours.astype(np.float32)), y, atol=1e-4)
    assert LUMA.sum() == pytest.approx(1)
    plane = np.float32([[0.25, 0.5]])
    assert luma(plane) is plane
