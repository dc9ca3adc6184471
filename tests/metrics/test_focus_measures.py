"""Every focus measure: values that theory gives, and what all of them must obey."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from stacktruth.metrics.focus import MEASURES
from stacktruth.metrics.focus.laplacian import MASKS
from stacktruth.metrics.focus.peak import find_peak

CODES = sorted(MEASURES)
FAMILY_SIZES = {"gradient": 7, "laplacian": 5, "wavelet": 4, "statistics": 8}
FAMILY_SIZES |= {"cosine transform": 3, "miscellaneous": 9}
MEAN_ABSOLUTE = math.sqrt(2.0 / math.pi)  # of a normal variable

# Expectation a pixel of white noise of standard deviation s on flat ground, from the sum of
# the squared taps of each operator: s^2 times that sum, or s times its root and MEAN_ABSOLUTE.
WHITE_NOISE = {
    "gra2": (2, 4.0),
    "gra6": (2, 24.0),
    "mis2": (2, 2.0),
    "lap1": (2, 20.0),
    "lap2": (1, 2.0 * MEAN_ABSOLUTE * math.sqrt(6.0)),
    "lap3": (1, 2.0 * MEAN_ABSOLUTE * (math.sqrt(6.0) + math.sqrt(3.0))),
    "dct3": (1, 4.0 * MEAN_ABSOLUTE),
    "wav1": (1, 3.0 * MEAN_ABSOLUTE),
    "wav2": (2, 3.0),
}


def texture(shape=(48, 56), seed=0):
    """Grey noise between 0.2 and 0.8."""
    return np.random.default_rng(seed).uniform(0.2, 0.8, shape)


def noise(sigma, shape=(900, 900)):
    """White noise on a flat ground."""
    return np.random.default_rng(7).normal(0.5, sigma, shape)


def test_registry_holds_the_36_operators_in_six_families():
    """All 36 codes of the comparison are there, by family (Pertuz, Puig and Garcia 2013)."""
    sizes = {}
    for measure in MEASURES.values():
        sizes[measure.family] = sizes.get(measure.family, 0) + 1
    assert sizes == FAMILY_SIZES
    assert len(MEASURES) == 36
    assert all(code == measure.code for code, measure in MEASURES.items())


@pytest.mark.parametrize("code", WHITE_NOISE)
def test_white_noise_gives_the_constant_of_the_operator(code):
    """The mean over a large noise field is the constant that the operator's taps give."""
    degree, constant = WHITE_NOISE[code]
    window = 1 if code != "wav2" else 201  # the variance needs a window that holds the mean
    inner = slice(window // 2 + 8, -window // 2 - 8)
    mean = MEASURES[code](noise(0.03), window=window)[inner, inner].mean()
    assert mean == pytest.approx(constant * 0.03**degree, rel=0.01)


def test_white_noise_constants_have_their_printed_digits():
    """The same constants as decimals: 3.909, 6.673 and 3.192 times the noise."""
    assert WHITE_NOISE["lap2"][1] == pytest.approx(3.909, abs=5e-4)
    assert WHITE_NOISE["lap3"][1] == pytest.approx(6.673, abs=5e-4)
    assert WHITE_NOISE["dct3"][1] == pytest.approx(3.192, abs=5e-4)


@pytest.mark.parametrize(("mask", "energy"), [("cross", 20), ("alpha-0.2", 13), ("full", 468)])
def test_laplacian_masks_have_their_noise_energy(mask, energy):
    """Each mask lets its own share of white noise through, and none of a flat image."""
    centre, edge, corner = MASKS[mask]
    assert centre**2 + 4 * edge**2 + 4 * corner**2 == pytest.approx(energy)
    assert centre + 4 * edge + 4 * corner == pytest.approx(0.0, abs=1e-12)
    mean = MEASURES["lap1"](noise(0.03), window=1, mask=mask).mean()
    assert mean == pytest.approx(energy * 0.03**2, rel=0.01)


def test_variance_of_noise_and_vollath_of_noise():
    """Window variance is s^2 (n - 1)/n; the autocorrelation of white noise has mean 0."""
    field = noise(0.03)
    assert MEASURES["sta3"](field, window=21).mean() == pytest.approx(0.03**2 * 440 / 441, rel=0.01)
    # Standard error of the mean: the ground of 0.5 times a difference of noise, over all pixels
    # telescopes along the rows; the product of noises is left.
    assert abs(MEASURES["mis9"](field, window=1)[:, :-2].mean()) < 6 * 0.03**2 / 900


@pytest.mark.parametrize(
    ("code", "power", "constant", "share"),
    [("sta3", 2, 4, 0.006), ("gra2", 4, 4, 0.035), ("lap1", 6, 2, 0.07)],
)
def test_blurred_noise_falls_off_with_its_power(code, power, constant, share):
    """Noise under a Gaussian: variance 1/(4 pi b^2), gradient 1/(4 pi b^4), Laplacian 1/(2 pi b^6).

    The share is what discrete differences miss at b = 3 and, for the variance, at b = 1.5.
    """
    rows, columns = np.meshgrid(np.fft.fftfreq(512), np.fft.fftfreq(512), indexing="ij")
    for blur in (3.0, 6.0):
        transfer = np.exp(-2.0 * (np.pi * blur) ** 2 * (rows**2 + columns**2))
        kernel = np.fft.fftshift(np.fft.ifft2(transfer).real) * 512.0
        value = _mean_about_zero(code, kernel)
        expected = 1.0 / (constant * np.pi * blur**power)
        assert value == pytest.approx(expected, rel=share * (3.0 / blur) ** 2 + 1e-6)


def _mean_about_zero(code, kernel):
    """Energy of an operator on a blurred impulse: the expectation over a white-noise texture."""
    if code == "sta3":
        return float(np.mean(kernel**2))
    return float(MEASURES[code](kernel, window=1).mean())


@pytest.mark.parametrize("code", [c for c in CODES if MEASURES[c].degree is not None])
def test_scale_law(code):
    """f(c I) = c^degree f(I): energies 2, sums of absolute values 1, ratios 0."""
    image = texture()
    whole = MEASURES[code](image, window=5)
    scaled = MEASURES[code](0.5 * image, window=5)
    np.testing.assert_allclose(scaled, 0.5 ** MEASURES[code].degree * whole, rtol=1e-9, atol=1e-15)


@pytest.mark.parametrize("code", CODES)
def test_offset_law(code):
    """Adding a grey changes exactly the measures that say so.

    Entropy is tried with a whole number of its bins.
    """
    image = np.round(texture() * 255.0) / 255.0
    before = MEASURES[code](image, window=5)
    after = MEASURES[code](image + 8.0 / 255.0, window=5)
    same = np.allclose(after, before, rtol=1e-7, atol=1e-12)
    assert same == MEASURES[code].offset_free


@pytest.mark.parametrize("code", CODES)
def test_flat_image_has_a_defined_value(code):
    """Grey or black without texture: one finite value everywhere, 0 but for counts and ratios."""
    flat_value = {"mis5": 1.0, "mis6": 8.0, "mis4": None}.get(code, 0.0)
    for grey in (0.0, 0.3):
        flat = MEASURES[code](np.full((30, 34), grey), window=5)
        assert np.isfinite(flat).all()
        assert np.ptp(flat) <= 1e-12
        if flat_value is not None:
            assert flat[0, 0] == pytest.approx(flat_value, abs=1e-12)


@pytest.mark.parametrize("code", CODES)
def test_stack_is_the_frames_one_by_one(code):
    """A stack gives each frame's own map; a measure over several frames repeats the end frames."""
    frames = texture((4, 30, 32)).astype(np.float32)
    maps = MEASURES[code](frames, window=5)
    assert maps.shape == frames.shape
    assert maps.dtype == np.float32
    if MEASURES[code].reach == 0:
        singles = np.stack([MEASURES[code](frame, window=5) for frame in frames])
        np.testing.assert_array_equal(maps, singles)
    streamed = np.stack(list(MEASURES[code].stream(iter(frames), window=5)))
    np.testing.assert_array_equal(streamed, maps)


@pytest.mark.parametrize("code", sorted(set(CODES) - {"sta2", "wav4"}))
def test_tall_frame_has_no_seams(code):
    """Bands of rows with what a measure looks at beyond give what the whole frame gives.

    STA2 goes by windows one by one, WAV4 by the whole frame.
    """
    tall = np.random.default_rng(6).uniform(0.2, 0.8, (400, 400))
    whole = MEASURES[code].function(np.stack([tall] * (2 * MEASURES[code].reach + 1)), 5)[0]
    np.testing.assert_allclose(MEASURES[code](tall, window=5), whole, rtol=1e-7, atol=1e-12)


@pytest.mark.parametrize(
    ("code", "options"),
    [("lap2", {"step": 9}), ("gra1", {"sigma": 5.0}), ("mis6", {"radius": 7.5})],
)
def test_options_widen_the_bands(code, options):
    """A wider mask looks at more rows beyond a band."""
    tall = np.random.default_rng(6).uniform(0.2, 0.8, (400, 400))
    whole = MEASURES[code].function(tall[None], 5, **options)[0]
    np.testing.assert_allclose(MEASURES[code](tall, 5, **options), whole, rtol=1e-7, atol=1e-12)


@pytest.mark.parametrize("code", CODES)
def test_single_and_double_precision_agree(code):
    """float32 frames lose no more than rounding, on a faint texture over a bright ground."""
    image = (0.7 + 0.02 * texture()).astype(np.float32)
    single = MEASURES[code](image, window=7)
    double = MEASURES[code](image.astype(np.float64), window=7)
    assert double.dtype == np.float64
    scale = np.abs(double).max()
    # A single grey that rounds to another histogram bin or past its neighbour changes a count.
    slack = 0.02 if code in ("mis6", "sta7") else 2e-3
    assert np.abs(single - double).max() <= slack * scale


@pytest.mark.parametrize("code", [c for c in CODES if c != "mis6"])
def test_sharper_is_larger(code):
    """A blurred texture gives a smaller mean.

    Local binary patterns count the same on any texture, and so are left out.
    """
    image = texture((64, 64))
    blurred = 0.25 * (
        image + np.roll(image, 1, 0) + np.roll(image, 1, 1) + np.roll(image, 1, (0, 1))
    )
    blurred = 0.5 * (blurred + np.roll(blurred, -1, (0, 1)))
    measure = MEASURES[code]
    if code == "mis9":  # of white noise F4 is 0: its texture must be wider than a pixel
        image, blurred = np.repeat(image, 3, axis=1), np.repeat(blurred, 3, axis=1)
    assert measure(blurred, window=9).mean() < measure(image, window=9).mean()


def test_spatial_frequency_is_the_root_of_gradient_energy():
    """MIS8 and GRA2 give one argmax and one Gaussian peak: the logarithms differ by a factor."""
    depth = np.linspace(2.0, 8.0, 40)[None, :, None]
    sharpness = np.exp(-0.1 * (np.arange(11)[:, None, None] - depth) ** 2)
    frames = texture((1, 40, 40), seed=3) * sharpness
    root, energy = MEASURES["mis8"](frames, 5), MEASURES["gra2"](frames, 5)
    np.testing.assert_allclose(root, np.sqrt(energy), rtol=1e-12)
    np.testing.assert_array_equal(root.argmax(axis=0), energy.argmax(axis=0))
    peaks = [find_peak(maps).position for maps in (root, energy)]
    np.testing.assert_allclose(*peaks, atol=1e-9)


def test_window_moves_nothing():
    """A single bright pixel is found where it is: maps are centred, in every odd window."""
    image = np.full((41, 41), 0.5)
    image[20, 20] = 1.0
    for code in ("gra6", "gra7", "lap1", "lap2", "lap3", "lap4", "sta3", "sta6", "mis3", "gra1"):
        focus = MEASURES[code](image, window=5)
        rows, columns = np.indices(image.shape)
        assert np.average(rows, weights=focus) == pytest.approx(20.0, abs=1e-6), code
        assert np.average(columns, weights=focus) == pytest.approx(20.0, abs=1e-6), code


@pytest.mark.parametrize("code", [c for c in CODES if c not in ("mis4", "mis9")])
def test_maps_lie_on_the_image(code):
    """Sharp left half, flat right half: the boundary is found within four pixels.

    Of MIS4 and MIS9 the grey level makes more on white noise than its texture.
    """
    image = np.full((40, 80), 0.5)
    image[:, :40] = texture((40, 40), seed=4)
    focus = MEASURES[code](image, window=5)[10:-10].mean(axis=0)
    left, right = focus[10:28].mean(), focus[58:70].mean()
    if code == "mis6":
        left, right = -left, -right  # flat ground has all eight neighbours no darker
    edge = np.interp(-0.5 * (left + right), -(focus if code != "mis6" else -focus), np.arange(80))
    assert left > right
    assert edge == pytest.approx(40.0, abs=4.0)


@given(
    hnp.arrays(np.float64, (13, 14), elements=st.floats(0.0, 1.0)),
    st.sampled_from([c for c in CODES if c != "mis9"]),
    st.sampled_from([1, 3, 9]),
)
def test_any_image_gives_finite_values_not_below_zero(image, code, window):
    """All but Vollath's measure are sums of squares, of absolute values, or ratios of such."""
    focus = MEASURES[code](image, window=window)
    assert np.isfinite(focus).all()
    assert focus.min() >= 0.0


@settings(max_examples=40)
@given(hnp.arrays(np.float32, (12, 15), elements=st.floats(0.0, 1.0, width=32)))
def test_mirrored_image_gives_the_mirrored_map(image):
    """Symmetric measures see a mirrored image mirrored, to rounding."""
    for code in ("lap2", "lap3", "gra6", "sta3", "sta8", "mis1", "mis3", "mis7"):
        mirrored = MEASURES[code](image[:, ::-1], window=3)[:, ::-1]
        np.testing.assert_allclose(mirrored, MEASURES[code](image, window=3), atol=1e-5)


def test_integers_are_read_as_shares_of_their_range():
    """An 8-bit frame and the same frame in floats give the same map."""
    image = np.random.default_rng(0).integers(0, 256, (20, 22), dtype=np.uint8)
    for code in ("lap2", "sta7"):
        expected = MEASURES[code](image.astype(np.float32) / 255.0, window=5)
        np.testing.assert_array_equal(MEASURES[code](image, window=5), expected)


@pytest.mark.parametrize(
    ("image", "window", "message"),
    [
        (np.zeros((8, 8)), 4, "window must be an odd number of pixels from 1 to 8 .* got 4"),
        (np.zeros((8, 8)), 9, r"\(the image is 8 x 8\), got 9"),
        (np.zeros((8, 8, 3)), 3, r"got shape \(8, 8, 3\), which looks like colour"),
        (np.zeros(8), 3, r"must be grey, .* got \(8,\)"),
        (np.full((8, 8), np.nan), 3, r"got 64 NaN or infinite pixels, the first at \(0, 0\)"),
    ],
)
def test_wrong_images_are_refused(image, window, message):
    """The message says what was got and what is allowed."""
    with pytest.raises(ValueError, match=message):
        MEASURES["lap2"](image, window=window)


def test_wrong_options_are_refused():
    """Masks, types, ranges and frames that differ are named."""
    image = texture()
    with pytest.raises(ValueError, match=r"mask must be one of cross, alpha-0\.2, full, got 'x'"):
        MEASURES["lap1"](image, mask="x")
    with pytest.raises(ValueError, match="step must be a whole number of pixels >= 1, got 0"):
        MEASURES["lap2"](image, step=0)
    with pytest.raises(ValueError, match="data_range must be positive and suit the image, got 1"):
        MEASURES["sta7"](255.0 * image)
    with pytest.raises(ValueError, match="levels must be from 2 to 256, got 1"):
        MEASURES["sta7"](image, levels=1)
    with pytest.raises(TypeError, match="floats or unsigned integers, got complex128"):
        MEASURES["lap2"](image * 1j)
    with pytest.raises(ValueError, match=r"frame has shape \(20, 20\), the one before \(48, 56\)"):
        list(MEASURES["lap5"].stream([image, texture((20, 20))]))
