"""Bringing a result to its reference: what is removed, and when nothing is."""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, shift

from stacktruth.ground.srgb import decode_srgb, encode_srgb
from stacktruth.metrics.image import image
from stacktruth.metrics.registration import gain as exposures
from stacktruth.metrics.registration import registration
from stacktruth.metrics.registration.similarity import IDENTITY

GAINS = np.array([0.8, 1.1, 1.25])


@pytest.fixture(scope="module")
def photo(coffee: np.ndarray) -> np.ndarray:
    """Give a part of the photograph, 240 x 360."""
    return coffee[80:320, 120:480]


def lit(photo: np.ndarray, *, gain: float | np.ndarray = 1.0, blur_px: float = 0.0) -> np.ndarray:
    """Give the photograph as lens and light would: both act on linear light."""
    light = 0.7 * gain * gaussian_filter(decode_srgb(photo), (blur_px, blur_px, 0))
    return encode_srgb(light)


def test_a_known_gain_comes_back(photo: np.ndarray) -> None:
    """Gains in linear light to a fifth of a per cent, through noise, blur and a wrong part."""
    noise = 0.005 * np.random.default_rng(1).standard_normal(photo.shape)
    result = lit(photo, gain=1 / GAINS, blur_px=1.5) + noise
    result[:60, :120] = 0.5
    gain = exposures.fit_gain(result, lit(photo), data_range=1.0)
    np.testing.assert_allclose(gain, GAINS, rtol=2e-3)


def test_gain_of_a_linear_picture(photo: np.ndarray) -> None:
    """With the identity for a decoding curve the gain is that of the numbers as they are."""
    gain = exposures.fit_gain(
        photo / 1.3, photo, data_range=1.0, decode=lambda value: np.asarray(value, np.float32)
    )
    np.testing.assert_allclose(gain, 1.3, rtol=1e-5)


def test_gain_of_equal_or_black_pictures_is_one(photo: np.ndarray) -> None:
    """Exactly 1 where nothing differs or nothing can be measured."""
    assert exposures.fit_gain(photo, photo, data_range=1.0).tolist() == [1.0, 1.0, 1.0]
    black = np.zeros((20, 30))
    assert exposures.fit_gain(black, black, data_range=1.0).tolist() == [1.0]
    assert exposures.fit_gain(photo[:3, :5], photo[:3, :5], data_range=1.0).tolist() == [1.0] * 3


def test_gain_and_motion_are_removed(photo: np.ndarray) -> None:
    """A result off by 1.5 px and by its exposure scores as if it were neither."""
    soft, target = lit(photo, gain=1 / GAINS, blur_px=1.0), lit(photo, blur_px=1.0)
    moved = shift(soft, (1.2, -0.9, 0), order=5, mode="nearest")
    found = registration.bring_to_reference(
        moved, target, data_range=1.0, frame_gains=1 / GAINS[None]
    )
    assert (found.moved, found.brightened) == (True, True)
    assert found.residual_px == pytest.approx(1.5, abs=0.01)
    np.testing.assert_allclose(found.exposure.needs_stops, np.log2(GAINS), atol=5e-3)
    assert found.exposure.charged_stops == pytest.approx(0.0, abs=1e-9)
    inner = found.inside & np.pad(np.ones((200, 320), bool), 20)
    assert image.psnr_db(moved, target, data_range=1.0, mask=inner) < 27
    assert image.psnr_db(found.image, target, data_range=1.0, mask=inner) > 45


def test_equal_pictures_are_left_alone(photo: np.ndarray) -> None:
    """Nothing is measured and not a bit is changed."""
    found = registration.bring_to_reference(photo, photo.copy(), data_range=1.0)
    assert found.similarity == IDENTITY
    assert found.exposure.needs_stops == (0.0, 0.0, 0.0)
    assert found.exposure.exponent == pytest.approx(1.0, abs=1e-6)
    assert (found.moved, found.brightened) == (False, False)
    assert found.inside.all()
    np.testing.assert_array_equal(found.image, photo)


@pytest.mark.parametrize("seed", range(4))
def test_it_never_makes_things_worse(picture, blurred, seed: int) -> None:
    """Whatever the result, its error over what is inside is no larger than before."""
    reference = picture(seed, 100, 130)
    noise = 0.1 * np.random.default_rng(seed).standard_normal(reference.shape)
    results = [picture(seed + 10, 100, 130), blurred(reference, 3.0), 1.0 - reference,
               (reference + noise).clip(0, 1), np.zeros_like(reference)]  # fmt: skip
    for result in results:
        found = registration.bring_to_reference(result, reference, data_range=1.0)
        scores = [
            image.psnr_db(each, reference, data_range=1.0, mask=found.inside)
            for each in (result, found.image)
        ]
        assert scores[1] >= scores[0]


def test_a_motion_too_small_to_mend_is_reported_but_left(photo: np.ndarray) -> None:
    """A hundredth of a pixel is measured, and the picture is not resampled for it."""
    target = gaussian_filter(photo, (1, 1, 0))
    result = shift(target, (0.0, 0.012, 0.0), order=5, mode="nearest")
    found = registration.bring_to_reference(result, target, data_range=1.0)
    assert found.residual_px == pytest.approx(0.012, abs=1e-3)
    assert not found.moved
    assert found.inside.all()


def test_motion_error_is_the_rms_distance() -> None:
    """An estimate off by (3, 4) px everywhere is off by 5; unknown truth does not count."""
    truth = np.zeros((6, 8, 2))
    truth[0, 0] = np.nan
    assert registration.motion_error_px(np.full((6, 8, 2), [3.0, 4.0]), truth) == pytest.approx(5.0)
    assert registration.motion_error_px(np.zeros((6, 8, 2)), truth) == 0.0
    nowhere = np.zeros((6, 8), dtype=bool)
    assert math.isnan(registration.motion_error_px(np.zeros((6, 8, 2)), truth, mask=nowhere))


@pytest.mark.parametrize(
    ("motion", "message"),
    [
        (np.zeros((6, 8)), r"motion_px must have shape \(H, W, 2\), got \(6, 8\)"),
        (np.zeros((6, 7, 2)), r"shapes must be equal, got motion_px \(6, 7, 2\)"),
        (np.full((6, 8, 2), np.nan), "motion_px must be finite"),
    ],
)
def test_bad_motion_is_named(motion: np.ndarray, message: str) -> None:
    """What is wrong and what was got."""
    with pytest.raises(ValueError, match=message):
        registration.motion_error_px(motion, np.zeros((6, 8, 2)))
