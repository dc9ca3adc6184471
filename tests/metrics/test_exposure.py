"""Exposure, curve and colours of a result: what is measured, forgiven and refused."""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from skimage.color import deltaE_ciede2000, rgb2lab

from stacktruth.ground.srgb import decode_srgb, encode_srgb
from stacktruth.metrics.image.image import psnr_db
from stacktruth.metrics.registration.colours import colour_kept, colourfulness, exchanged_channels
from stacktruth.metrics.registration.gain import (
    FORGIVEN_COLOUR_STOPS,
    FORGIVEN_STOPS,
    exposure_of,
    gain_stops,
    tone_exponent,
)
from stacktruth.metrics.registration.registration import bring_to_reference


@pytest.fixture(scope="module")
def photo(coffee: np.ndarray) -> np.ndarray:
    """Give a part of the photograph, 240 x 360, a little darker so that nothing is cut at white."""
    return encode_srgb(0.6 * decode_srgb(coffee[80:320, 120:480]))


def lit(photo: np.ndarray, stops: object) -> np.ndarray:
    """Give the photograph with so many stops more light, one for all or one per channel."""
    return encode_srgb(decode_srgb(photo) * np.exp2(np.asarray(stops, dtype=np.float32)))


def test_what_is_forgiven_can_hardly_be_seen() -> None:
    """On a grey of half the scale 2.6 CIEDE2000 at most, by scikit-image's formula."""
    grey = np.full((1, 1, 3), 0.5)
    casts = np.eye(3) * FORGIVEN_COLOUR_STOPS
    seen = [
        float(deltaE_ciede2000(rgb2lab(grey), rgb2lab(lit(grey, stops))).item())
        for stops in (FORGIVEN_STOPS, *casts)
    ]
    assert max(seen) < 2.7
    assert seen[0] == pytest.approx(2.6, abs=0.1)


@pytest.mark.parametrize(
    ("stops", "charged"), [(-0.1, 0.0), (-0.5, 1 / 3), (0.5, 1 / 3), (-1.0, 5 / 6)]
)
def test_a_gain_is_forgiven_up_to_its_cap(photo: np.ndarray, stops: float, charged: float) -> None:
    """A sixth of a stop either way; the rest is charged, and stays in the picture."""
    found = bring_to_reference(lit(photo, stops), photo, data_range=1.0)
    assert found.exposure.gain_stops == pytest.approx(-stops, abs=2e-3)
    assert found.exposure.charged_stops == pytest.approx(charged, abs=5e-3)
    left = lit(photo, math.copysign(charged, stops))
    np.testing.assert_allclose(found.image, left, atol=2e-3)
    np.testing.assert_allclose(found.as_exposed, lit(photo, stops), atol=1e-6)
    np.testing.assert_allclose(found.evened(), photo, atol=2e-3)


def test_a_cast_of_one_colour_has_a_cap_of_its_own(photo: np.ndarray) -> None:
    """Red and blue 0.15 stops apart from the mean: 0.15 - 1/15 is charged, brightness nothing."""
    found = exposure_of(lit(photo, (0.15, 0.0, -0.15)), photo, data_range=1.0)
    assert found.gain_stops == pytest.approx(0.0, abs=2e-3)
    assert found.colour_stops == pytest.approx(0.15, abs=2e-3)
    assert found.charged_stops == pytest.approx(0.15 - 1 / 15, abs=3e-3)


def test_a_result_may_be_as_dark_as_its_frames(photo: np.ndarray) -> None:
    """With frames 0 to 1 stops darker, 1.1 stops are forgiven, and 1.5 but for 1.5 - 1 - 1/6."""
    gains = np.exp2([[0.0, 0.0, 0.0], [-1.0, -1.0, -1.0]])
    for stops, charged in ((-1.1, 0.0), (-1.5, 1.5 - 1 - 1 / 6), (0.5, 1 / 3)):
        found = exposure_of(lit(photo, stops), photo, data_range=1.0, frame_gains=gains)
        assert found.charged_stops == pytest.approx(charged, abs=5e-3), stops


def test_no_frame_no_gain(photo: np.ndarray) -> None:
    """Gains of no frame, or of a dark one, are refused."""
    for gains in (np.zeros((1, 3)), np.zeros((0, 3)), np.ones(3)):
        with pytest.raises(ValueError, match="frame_gains must be positive, of shape"):
            exposure_of(photo, photo, data_range=1.0, frame_gains=gains)


def test_a_wrong_curve_is_told_from_a_gain(photo: np.ndarray) -> None:
    """Linear light for sRGB, or gamma 1.8 for it: the exponent is off, and nothing is forgiven.

    sRGB twice is far below 1, and far too bright: all but a sixth of a stop is charged.
    """
    light = decode_srgb(photo)
    curves = {"linear": light, "gamma 1.8": light ** (1 / 1.8)}
    for name, result in curves.items():
        found = exposure_of(result, photo, data_range=1.0)
        assert found.is_curved, name
        assert found.forgiven_stops == (0.0, 0.0, 0.0), name
    assert tone_exponent(curves["linear"], photo, data_range=1.0) > 1.4
    twice = exposure_of(encode_srgb(photo), photo, data_range=1.0)
    assert twice.exponent < 0.7
    assert twice.charged_stops > 1


@pytest.mark.parametrize("exponent", [0.7, 1.3])
def test_a_power_of_the_light_comes_back(photo: np.ndarray, exponent: float) -> None:
    """Where blocks have one brightness each, and a cast and a gain beside the power."""
    smooth = gaussian_filter(decode_srgb(photo), (12, 12, 0))
    result = encode_srgb(smooth**exponent * np.array([0.8, 0.7, 0.9], dtype=np.float32))
    found = tone_exponent(result, encode_srgb(smooth), data_range=1.0)
    assert found == pytest.approx(exponent, rel=0.02)


def test_gain_blur_noise_and_a_wrong_part_are_no_curve(photo: np.ndarray) -> None:
    """What honest results have leaves the exponent at 1 within 0.05."""
    noise = 0.02 * np.random.default_rng(1).standard_normal(photo.shape)
    part = photo.copy()
    part[:60, :120] = 0.5
    for result in (lit(photo, -1.0), gaussian_filter(photo, (3, 3, 0)), photo + noise, part):
        assert tone_exponent(result, photo, data_range=1.0) == pytest.approx(1.0, abs=0.05)
    flat = np.full((40, 50, 3), 0.5)
    assert math.isnan(tone_exponent(flat, flat, data_range=1.0))
    assert not exposure_of(flat, flat, data_range=1.0).is_curved


def test_gain_stops_are_what_is_needed(photo: np.ndarray) -> None:
    """Positive for a picture that is too dark."""
    assert gain_stops(lit(photo, -0.4), photo, data_range=1.0) == pytest.approx(0.4, abs=2e-3)


def grey_of(photo: np.ndarray) -> np.ndarray:
    """Give the photograph in grey, by Rec. 709's weights."""
    return np.repeat((photo @ [0.2126, 0.7152, 0.0722])[..., None], 3, axis=2)


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 1.0])
def test_colour_kept_is_the_share_that_was_put_in(photo: np.ndarray, share: float) -> None:
    """A mixture of the picture and its grey keeps its share, half the light or not."""
    mixed = share * photo + (1 - share) * grey_of(photo)
    assert colour_kept(mixed, photo, data_range=1.0) == pytest.approx(share, abs=1e-3)
    assert colour_kept(0.5 * mixed, photo, data_range=1.0) == pytest.approx(share, abs=1e-3)
    kept = colourfulness(mixed, data_range=1.0) / colourfulness(photo, data_range=1.0)
    assert kept == pytest.approx(share, abs=1e-3)


def test_a_grey_reference_has_no_colour_to_keep(photo: np.ndarray) -> None:
    """NaN for a grey picture and for a plane; a black one has no colourfulness."""
    grey = grey_of(photo)
    assert math.isnan(colour_kept(photo, grey, data_range=1.0))
    assert math.isnan(colour_kept(grey[..., 0], grey[..., 0], data_range=1.0))
    assert math.isnan(colourfulness(np.zeros((4, 5, 3)), data_range=1.0))
    assert colourfulness(grey[..., 0], data_range=1.0) == 0.0


@pytest.mark.parametrize("order", [(2, 1, 0), (1, 2, 0), (0, 2, 1)])
def test_exchanged_channels_are_found(photo: np.ndarray, order: tuple[int, int, int]) -> None:
    """Any order is found that plainly is another picture, and undoes it, through blur and noise."""
    noise = 0.01 * np.random.default_rng(2).standard_normal(photo.shape)
    result = gaussian_filter(photo, (1, 1, 0))[..., order] + noise
    found = exchanged_channels(result, photo, data_range=1.0)
    assert found is not None
    assert psnr_db(result[..., found], photo, data_range=1.0) > 6 + psnr_db(
        result, photo, data_range=1.0
    )
    assert np.array(order)[list(found)].tolist() == [0, 1, 2]


def test_other_faults_exchange_nothing(photo: np.ndarray) -> None:
    """Neither half the light, nor grey, nor a negative, nor a cast, nor a grey scene."""
    grey = grey_of(photo)
    for result in (lit(photo, -1.0), grey, 1 - photo, lit(photo, (0.3, 0.0, -0.3))):
        assert exchanged_channels(result, photo, data_range=1.0) is None
    assert exchanged_channels(grey[..., ::-1], grey, data_range=1.0) is None


def test_blocks_at_white_or_black_tell_no_gain() -> None:
    """Half a stop more, where most of the result is cut at white; a veil over a black surround.

    Both parts would tell another gain: 0.32 stops less of the first, one stop of the second.
    """
    light = np.full((240, 360), 0.8, np.float32)
    light[:, :108] = 0.2
    result = encode_srgb(np.minimum(light * np.float32(2**0.5), 1))
    assert gain_stops(result, encode_srgb(light), data_range=1.0) == pytest.approx(-0.5, abs=0.02)
    dark = np.full((240, 360), 0.007, np.float32)
    dark[:, 168:192] = 0.1
    veiled = encode_srgb(dark + np.float32(0.007))
    assert -0.25 < gain_stops(veiled, encode_srgb(dark), data_range=1.0) < -0.05


def test_a_frame_forgives_its_own_cast_alone(photo: np.ndarray) -> None:
    """One frame has 0.2 stops more red and less blue: that is forgiven, the opposite is not."""
    gains = np.exp2([[0.0, 0.0, 0.0], [0.2, 0.0, -0.2]])
    for cast, charged in (((0.2, 0.0, -0.2), 0.0), ((-0.2, 0.0, 0.2), 0.2 - 1 / 15)):
        found = exposure_of(lit(photo, cast), photo, data_range=1.0, frame_gains=gains)
        assert found.charged_stops == pytest.approx(charged, abs=5e-3), cast
