"""Image metrics against libraries, published pairs and closed forms."""

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from skimage import metrics as outside
from skimage.filters import prewitt
from skimage.measure import block_reduce

from stacktruth.ground.srgb import luma
from stacktruth.metrics import colour
from stacktruth.metrics.image import image

PAIRS = Path(__file__).parents[1] / "references" / "ciede2000_pairs.csv"
WANG = {"gaussian_weights": True, "sigma": 1.5, "use_sample_covariance": False, "data_range": 1.0}


@pytest.fixture
def noisy(coffee: np.ndarray) -> np.ndarray:
    """Give the photograph with noise, cut to 0..1."""
    noise = 0.05 * np.random.default_rng(1).standard_normal(coffee.shape)
    return (coffee + noise).clip(0, 1).astype(np.float32)


def test_psnr_equals_scikit_image(coffee: np.ndarray, noisy: np.ndarray) -> None:
    """PSNR over all channels is scikit-image's."""
    expected = outside.peak_signal_noise_ratio(coffee, noisy, data_range=1.0)
    assert image.psnr_db(noisy, coffee, data_range=1.0) == pytest.approx(expected, abs=1e-4)


def test_ssim_of_colour_equals_scikit_image(coffee: np.ndarray, noisy: np.ndarray) -> None:
    """SSIM with the settings of Wang et al. 2004 is scikit-image's in double precision."""
    expected = outside.structural_similarity(
        noisy.astype(float), coffee.astype(float), channel_axis=-1, **WANG
    )
    assert image.ssim(noisy, coffee, data_range=1.0) == pytest.approx(expected, abs=1e-6)


def test_ssim_of_a_bright_grey_plane_equals_scikit_image(coffee: np.ndarray) -> None:
    """Single precision holds where the mean is large against the contrast."""
    plane = 0.95 + 0.01 * coffee[..., 1]
    other = plane + 0.002 * np.random.default_rng(2).standard_normal(plane.shape)
    expected = outside.structural_similarity(other, plane.astype(float), **WANG)
    assert image.ssim(other, plane, data_range=1.0) == pytest.approx(expected, abs=1e-5)


def test_masked_ssim_is_the_mean_of_the_map(coffee: np.ndarray, noisy: np.ndarray) -> None:
    """SSIM over a region is the mean of scikit-image's full map over it."""
    mask = np.zeros(coffee.shape[:2], dtype=bool)
    mask[100:160, 200:290] = True
    _, field = outside.structural_similarity(
        noisy.astype(float), coffee.astype(float), channel_axis=-1, full=True, **WANG
    )
    expected = field[mask].mean()
    assert image.ssim(noisy, coffee, data_range=1.0, mask=mask) == pytest.approx(expected, abs=1e-6)


def test_multi_scale_ssim_from_single_scales(coffee: np.ndarray, noisy: np.ndarray) -> None:
    """Five scales put together from scikit-image's SSIM give the value of the paper's recipe."""
    first, second = (luma(each).astype(float) for each in (noisy, coffee))
    expected = 1.0
    for level, power in enumerate((0.0448, 0.2856, 0.3001, 0.2363, 0.1333)):
        # An enormous K1 drives the luminance term to 1 and leaves contrast and structure.
        luminance = {} if level == 4 else {"K1": 1e4}
        expected *= outside.structural_similarity(first, second, **WANG, **luminance) ** power
        first, second = (block_reduce(each, 2, np.mean) for each in (first, second))
    got = image.multi_scale_ssim(noisy, coffee, data_range=1.0)
    assert got == pytest.approx(expected, abs=1e-5)


def test_multi_scale_ssim_needs_room(picture) -> None:
    """Five scales of an 11 px window need 176 px; less is NaN."""
    small, enough = picture(1, 175, 200), picture(1, 176, 200)
    assert math.isnan(image.multi_scale_ssim(small, small, data_range=1.0))
    assert image.multi_scale_ssim(enough, enough, data_range=1.0) == pytest.approx(1.0)


def test_ciede2000_published_pairs() -> None:
    """All 34 pairs of Sharma, Wu & Dalal 2005, as scikit-image keeps them, to four digits."""
    table = np.loadtxt(PAIRS, delimiter=",", skiprows=4)
    assert table.shape == (34, 7)
    got = colour.lab_difference(table[:, :3], table[:, 3:6])
    np.testing.assert_allclose(got, table[:, 6], atol=1e-4)


def test_ciede2000_of_black_and_white_is_100() -> None:
    """From L* 0 to L* 100 at no chroma the difference is 100 (weights 1 at the mean L* 50)."""
    black, white = np.zeros((4, 4, 3)), np.ones((4, 4, 3))
    assert image.ciede2000_mean(white, black, data_range=1.0) == pytest.approx(100.0, abs=1e-3)


def test_ciede2000_reads_channels_as_red_green_blue() -> None:
    """White against sRGB red: Lab 53.24, 80.09, 67.20 (Lindbloom's calculator, from memory)."""
    white, red = np.ones((2, 2, 3)), np.zeros((2, 2, 3))
    red[..., 0] = 1.0
    expected = colour.lab_difference([53.24, 80.09, 67.20], [100.0, 0.0, 0.0])
    assert image.ciede2000_mean(red, white, data_range=1.0) == pytest.approx(expected, abs=0.01)


def test_gradient_error_of_an_added_ramp_is_its_slope(coffee: np.ndarray) -> None:
    """A ramp of slope (3, 4) thousandths per px has a gradient of length 0.005 everywhere."""
    height, width = coffee.shape[:2]
    ramp = 0.003 * np.arange(width)[None, :] + 0.004 * np.arange(height)[:, None]
    inner = np.zeros((height, width), dtype=bool)
    inner[10:-10, 10:-10] = True
    got = image.gradient_error(coffee[..., 0] + ramp, coffee[..., 0], data_range=1.0, mask=inner)
    assert got == pytest.approx(0.005, rel=1e-4)


@pytest.mark.parametrize("axis", [0, 1])
def test_gradient_error_of_an_added_wave(axis: int) -> None:
    """A wave of amplitude a and k rad/px leaves a k exp(-k^2 / 2) / sqrt(2) RMS at sigma 1 px."""
    k = 2 * math.pi / 8
    wave = 0.1 * np.sin(k * np.indices((96, 96))[axis])
    inner = np.pad(np.ones((80, 80), dtype=bool), 8)
    got = image.gradient_error(0.5 + wave, np.full_like(wave, 0.5), data_range=1.0, mask=inner)
    assert got == pytest.approx(0.1 * k * math.exp(-(k**2) / 2) / math.sqrt(2), rel=1e-3)


def test_gradient_similarity_by_another_filter(coffee: np.ndarray, noisy: np.ndarray) -> None:
    """With scikit-image's Prewitt magnitude the formula of Xue et al. 2014 gives the same mean."""
    planes = (block_reduce(luma(each).astype(float), 2, np.mean) for each in (noisy, coffee))
    # scikit-image joins the two axes by a mean, not a sum, of squares.
    first, second = (math.sqrt(2) * prewitt(plane, mode="nearest") for plane in planes)
    constant = 170 / 255**2
    expected = ((2 * first * second + constant) / (first**2 + second**2 + constant)).mean()
    got = image.gradient_similarity(noisy, coffee, data_range=1.0)
    assert got == pytest.approx(expected, abs=1e-5)


def test_contrast_lost_is_sharpness_and_detail_lost(coffee: np.ndarray) -> None:
    """At 70 % of the contrast 49 % of the energy and 70 % of the detail are kept."""
    weaker = 0.7 * coffee + 0.1
    assert image.sharpness_kept(weaker, coffee, data_range=1.0) == pytest.approx(0.49, rel=1e-4)
    assert image.detail_kept(weaker, coffee, data_range=1.0) == pytest.approx(0.7, rel=1e-4)


def test_noise_looks_sharp_but_is_no_detail(coffee: np.ndarray) -> None:
    """Noise raises the energy by its own and leaves the true detail where it was."""
    grey = coffee[..., 1]
    noise = 0.04 * np.random.default_rng(3).standard_normal(grey.shape)
    scores = image.score_image(grey + noise, grey, masks={"all": grey > -1}, data_range=1.0)["all"]
    energy = np.square(grey - gaussian_filter(grey, 2.0)).mean()
    expected = 1 + 0.04**2 * image._WHITE_NOISE_SHARE**2 / energy
    assert scores["sharpness_kept"] == pytest.approx(expected, rel=0.02)
    assert scores["detail_kept"] == pytest.approx(1.0, abs=0.01)


def test_white_noise_is_measured_as_it_is() -> None:
    """Noise of 0.02 gives 0.02 within four standard errors of an RMS over 240 000 pixels."""
    noise = 0.02 * np.random.default_rng(4).standard_normal((400, 600))
    got = image.noise_rms(0.5 + noise, np.full_like(noise, 0.5), data_range=1.0)
    assert got == pytest.approx(0.02, abs=4 * 0.02 / math.sqrt(2 * noise.size))


@pytest.mark.parametrize("count", [4, 9])
def test_averaging_frames_keeps_one_over_root_n_of_the_noise(count: int) -> None:
    """The mean of n frames keeps 1/sqrt(n) of the noise of one."""
    truth = np.full((300, 400), 0.5)
    frames = truth + 0.02 * np.random.default_rng(5).standard_normal((count, *truth.shape))
    one = image.noise_rms(frames[0], truth, data_range=1.0)
    got = image.noise_kept(frames.mean(axis=0), truth, frame_noise_rms=one, data_range=1.0)
    assert got == pytest.approx(count**-0.5, rel=4 * math.sqrt(1 / truth.size))


def test_all_at_once_equals_one_by_one(picture) -> None:
    """`score_image` gives exactly what the single functions give, region by region."""
    first, second = picture(1, 200, 260), picture(2, 200, 260)
    masks = {"left": np.arange(260) < 130 + np.zeros((200, 1)), "all": np.ones((200, 260), bool)}
    scores = image.score_image(first, second, masks=masks, data_range=1.0)
    for region, mask in masks.items():
        for name, value in scores[region].items():
            assert value == getattr(image, name)(first, second, data_range=1.0, mask=mask), name
            assert math.isfinite(value), name


def test_unknown_metric_is_refused(picture) -> None:
    """A name outside the list is named in the message."""
    with pytest.raises(ValueError, match=r"names must be among .*got \['sharpest'\]"):
        image.score_image(
            picture(1), picture(1), masks={}, data_range=1.0, names=["ssim", "sharpest"]
        )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"data_range": 0.0}, "data_range must be positive and finite, got 0.0"),
        ({"data_range": math.nan}, "data_range must be positive and finite, got nan"),
        ({"result": np.zeros((4, 4, 4))}, r"result must have shape .* got \(4, 4, 4\)"),
        ({"result": np.zeros((4, 4))}, r"shapes must be equal, got result \(4, 4\), reference"),
        ({"result": np.zeros((4, 5, 3), complex)}, "result must hold real numbers"),
        ({"reference": np.full((4, 5, 3), np.nan)}, "reference must be finite, got 60 values"),
        ({"mask": np.ones((4, 4), bool)}, r"mask must have the shape of the picture \(4, 5\)"),
        ({"mask": np.ones((4, 5))}, "mask must be boolean, got type float64"),
    ],
)
def test_bad_input_is_named(change: dict, message: str) -> None:
    """What is wrong, what was got and what is allowed."""
    good = {"result": np.zeros((4, 5, 3)), "reference": np.zeros((4, 5, 3)), "data_range": 1.0}
    with pytest.raises(ValueError, match=message):
        image.psnr_db(**(good | change))
