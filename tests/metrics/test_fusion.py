"""Truth-free fusion metrics: values of identity, a two-frame toy, and what all must obey."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import ndimage
from skimage import data
from skimage.metrics import normalized_mutual_information

from stacktruth.metrics.fusion import METRICS, score_fusion
from stacktruth.metrics.fusion.edges import edge_transfer
from stacktruth.metrics.fusion.information import mutual_information
from stacktruth.metrics.fusion.phase import phase_features
from stacktruth.metrics.fusion.structure import piella, piella_edges, universal_quality, yang
from stacktruth.metrics.record import Metric

BY_NAME = {metric.name: metric for metric in METRICS}
IDENTITY = {"edge_transfer": 0.974794, "mutual_information": 2.0, "frequency_error": 0.0}
PHOTOGRAPHS = ("camera", "brick", "gravel", "coins")  # ship with scikit-image


def texture(seed=0, shape=(40, 44)):
    """Grey noise with coarse and fine parts, 0..1."""
    noise = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=shape), 1.0)
    return (noise - noise.min()) / np.ptp(noise)


def halves(photograph):
    """Truth, and two frames of it: sharp left, sharp right, the rest under a 3 px Gaussian."""
    truth = getattr(data, photograph)().astype(np.float64) / 255.0
    blurred = ndimage.gaussian_filter(truth, 3.0)
    left = np.arange(truth.shape[1]) < truth.shape[1] // 2
    return truth, np.where(left, truth, blurred), np.where(left, blurred, truth)


@pytest.mark.parametrize("name", BY_NAME)
@pytest.mark.parametrize("count", [2, 3, 5])
def test_identity_has_its_value_for_any_number_of_frames(name, count):
    """Result and frames alike: the best value, 0.974794 for Q^AB/F (its two curves end there)."""
    image = texture()
    value = BY_NAME[name].function(image, [image] * count, data_range=1.0)
    assert value == pytest.approx(IDENTITY.get(name, 1.0), abs=1e-6)
    assert value == pytest.approx(BY_NAME[name].best, abs=1e-6)


def test_records_are_of_one_group_and_all_are_scored():
    """The registry's names are those that one call scores, in order."""
    assert all(isinstance(metric, Metric) and metric.group == "fusion" for metric in METRICS)
    image = texture()
    assert list(score_fusion(image, [image, image], data_range=1.0)) == list(BY_NAME)
    subset = score_fusion(image, [image, image], data_range=1.0, names=["piella"])
    assert list(subset) == ["piella"]


# The toy's values were worked out once with separate code, to two or three digits.
TOY = {
    "edge_transfer": (0.77, 0.73, 0.77, 0.73),
    "piella_weighted": (0.941, 0.936, 0.944, 0.916),
}


@pytest.mark.parametrize(("place", "photograph"), list(enumerate(PHOTOGRAPHS)))
def test_truth_of_the_toy_has_its_values(photograph, place):
    """A perfect composite of two half-sharp frames, by edges and by weighted quality."""
    truth, *frames = halves(photograph)
    scores = score_fusion(truth, frames, data_range=1.0, names=TOY)
    assert scores["edge_transfer"] == pytest.approx(TOY["edge_transfer"][place], abs=0.006)
    assert scores["piella_weighted"] == pytest.approx(TOY["piella_weighted"][place], abs=6e-4)


@pytest.mark.parametrize(
    ("photograph", "average", "copy"),
    [
        ("camera", 0.54, 0.43),
        ("brick", 0.64, 0.54),
        ("gravel", 0.52, 0.51),
        ("coins", 0.51, 0.52),
    ],
)
def test_edge_transfer_ranks_the_truth_first(photograph, average, copy):
    """Average and copy of one frame fall behind the truth; values are for the printed angles."""
    truth, first, second = halves(photograph)
    options = {"data_range": 1.0, "half_turn": False}
    mixed = edge_transfer(0.5 * (first + second), [first, second], **options)
    copied = edge_transfer(first, [first, second], **options)
    assert mixed == pytest.approx(average, abs=0.006)
    assert copied == pytest.approx(copy, abs=0.006)
    assert edge_transfer(truth, [first, second], **options) > max(mixed, copied)


@pytest.mark.parametrize(
    ("photograph", "of_truth", "of_copy"),
    [
        ("camera", 1.32, 1.41),
        ("brick", 1.09, 1.25),
        ("gravel", 0.91, 1.10),
        ("coins", 1.12, 1.28),
    ],
)
def test_mutual_information_prefers_a_frame_handed_back(photograph, of_truth, of_copy):
    """The known fault: doing nothing beats the truth. Images are stretched as in the toy."""
    truth, *frames = (_stretched(image) for image in halves(photograph))
    perfect = mutual_information(truth, frames, data_range=1.0)
    lazy = mutual_information(frames[0], frames, data_range=1.0)
    assert perfect == pytest.approx(of_truth, abs=0.006)
    assert lazy == pytest.approx(of_copy, abs=0.006)
    assert lazy > perfect


def _stretched(image):
    return (image - image.min()) / np.ptp(image)


def test_plain_piella_can_prefer_the_average():
    """The known fault of the unweighted quality: on brick the average, .821, beats the truth."""
    truth, first, second = halves("brick")
    average = piella(0.5 * (first + second), [first, second], data_range=1.0)
    assert average == pytest.approx(0.821, abs=1e-3)
    assert average > piella(truth, [first, second], data_range=1.0)


def test_mutual_information_agrees_with_scikit_image():
    """scikit-image's (H(A) + H(F)) / H(A, F) is another form of the same number."""
    first, second = texture(0), texture(1)
    joined = normalized_mutual_information(first, second, bins=256)
    expected = 2.0 * (joined - 1.0) / joined
    got = mutual_information(second, [first, first], data_range=1.0) / 2.0
    # The same bins but for the width of the last one: 256 over the range against 255.
    assert got == pytest.approx(expected, abs=0.01)


def test_universal_quality_of_a_shift_and_a_gain():
    """Wang and Bovik's closed forms: a gain a costs (2a/(1+a^2))^2, a mean shift its luminance."""
    image = np.tile([[0.25, 0.75], [0.75, 0.25]], (20, 20))
    gain = universal_quality(0.5 * image, [image, image], data_range=1.0)
    assert gain == pytest.approx((2 * 0.5 / 1.25) ** 2, abs=1e-6)
    shifted = universal_quality(image + 0.25, [image, image], data_range=1.0)
    assert shifted == pytest.approx(2 * 0.5 * 0.75 / (0.5**2 + 0.75**2), abs=1e-6)
    negative = universal_quality(1.0 - image, [image, image], data_range=1.0)
    assert negative == pytest.approx(-1.0, abs=1e-6)


def test_perceived_contrast_follows_the_published_steps():
    """Chen and Blum's formulas, taken one by one with numpy's full transform."""
    images = [texture(seed, (60, 90)) for seed in range(3)]
    down = np.fft.fftfreq(60)[:, None] * 2.0 * 60.0 / 30.0
    right = np.fft.fftfreq(90)[None, :] * 2.0 * 90.0 / 30.0
    radius = np.hypot(down, right)
    filtered = np.exp(-((radius / 15.3870) ** 2)) - 0.7622 * np.exp(-((radius / 1.3456) ** 2))
    masked = []
    for image in images:
        seen = np.fft.ifft2(np.fft.fft2(image) * filtered).real
        near, far = (
            ndimage.gaussian_filter(seen, s, mode="nearest", radius=15) for s in (2.0, 4.0)
        )
        contrast = np.abs(near / far - 1.0)
        masked.append(contrast**3 / (contrast**2 + 1e-4))
    fused, first, second = masked
    kept = [np.minimum(x / fused, fused / x) for x in (first, second)]
    share = first**2 / (first**2 + second**2)
    expected = np.mean(share * kept[0] + (1.0 - share) * kept[1])
    got = BY_NAME["chen_blum"].function(images[0], images[1:], data_range=1.0)
    assert got == pytest.approx(expected, rel=1e-4)


def test_phase_congruency_marks_features_whatever_their_contrast():
    """A step of 0.05 and one of 0.8 are marked alike, flat ground not at all; a corner is both."""
    maps = {}
    for height in (0.05, 0.8):
        plane = np.full((64, 64), 0.1, dtype=np.float32)
        plane[16:48, 16:48] += height
        maps[height] = phase_features(plane)
    strong, weak = maps[0.8], maps[0.05]
    assert strong.congruency[32, 15:17].min() > 0.5
    np.testing.assert_allclose(weak.congruency[32, 15:17], strong.congruency[32, 15:17], rtol=0.1)
    assert strong.congruency[32, 32] < 0.05
    corner, edge = strong.smallest[15:18, 15:18].max(), strong.smallest[31:34, 15:18].max()
    assert corner > 4.0 * edge
    assert strong.largest[31:34, 15:18].max() > 0.2


def test_slanting_edge_is_an_edge_and_noise_is_nothing():
    """The smallest moment stays low along a diagonal; white noise has hardly any congruency."""
    rows, columns = np.indices((64, 64))
    slant = phase_features(np.where(rows > columns, 0.8, 0.2).astype(np.float32))
    line = np.abs(rows - columns)[16:48, 16:48] <= 1
    largest, smallest = slant.largest[16:48, 16:48][line], slant.smallest[16:48, 16:48][line]
    assert smallest.mean() < 0.25 * largest.mean()
    noise = np.random.default_rng(0).normal(0.5, 0.1, (64, 64)).astype(np.float32)
    assert phase_features(noise).congruency.mean() < 0.05


def test_features_turn_with_the_picture():
    """A quarter turn of the picture turns the maps: orientations are treated alike."""
    plane = texture(3, (48, 48)).astype(np.float32)
    turned = phase_features(np.ascontiguousarray(np.rot90(plane)))
    for before, after in zip(phase_features(plane).maps(), turned.maps(), strict=True):
        np.testing.assert_allclose(after, np.rot90(before), atol=2e-3)


def test_frequency_error_has_the_right_sign():
    """Blur loses frequencies, noise adds some; half the contrast is an error of -1/2."""
    image = texture()
    error = BY_NAME["frequency_error"].function
    assert error(0.5 * image, [image, image], data_range=1.0) == pytest.approx(-0.5, abs=1e-6)
    assert error(ndimage.gaussian_filter(image, 2), [image, image], data_range=1.0) < -0.2
    noisy = image + np.random.default_rng(0).normal(0, 0.2, image.shape)
    assert error(noisy, [image, image], data_range=1.0) > 0.2


def test_diagonals_count_by_their_distance():
    """Stripes have steps across and on both diagonals, a checkerboard along rows and columns.

    Zheng et al. (2007) divide diagonal steps by their length: 1 + 2 / sqrt(2) against 2.
    """
    rows, columns = np.indices((20, 24))
    stripes, board = (0.5 + 0.2 * (-1.0) ** turns for turns in (columns, rows + columns))
    inner = np.zeros(rows.shape, bool)
    inner[2:-2, 2:-2] = True
    error = BY_NAME["frequency_error"].function
    found = error(stripes, [board, board], data_range=1.0, mask=inner)
    assert found == pytest.approx(np.sqrt((1 + np.sqrt(2)) / 2) - 1, rel=1e-5)


def test_frames_that_are_alike_by_half_do_not_agree():
    """Yang: below a likeness of 0.75 a copy of one frame is as good as can be."""
    first, other = texture(0), texture(1)
    second = first.mean() + 0.6 * (first - first.mean()) + 0.8 * (other - other.mean())
    assert yang(first, [first, second], data_range=1.0) > 0.97


def test_agreement_quality_takes_the_best_where_frames_differ():
    """Yang: on frames that differ a copy of one scores 1; on alike frames it is the average."""
    first, second = texture(0), texture(1)
    assert yang(first, [first, second], data_range=1.0) > 0.98
    close = 0.98 * first + 0.01
    assert yang(first, [first, close], data_range=1.0) < 1.0 - 1e-5


def test_edge_exponent():
    """Q_E with alpha 0 is Q_W; a larger alpha tells more."""
    truth, first, second = (image[100:200, 200:300] for image in halves("camera"))
    frames = [first, second]
    plain = piella_edges(truth, frames, data_range=1.0, alpha=0.0)
    assert plain == BY_NAME["piella_weighted"].function(truth, frames, data_range=1.0)
    once = piella_edges(truth, frames, data_range=1.0)
    twice = piella_edges(truth, frames, data_range=1.0, alpha=2.0)
    assert twice == pytest.approx(once**2 / plain)


@pytest.mark.parametrize("name", BY_NAME)
def test_order_and_range_of_the_frames_do_not_matter(name):
    """Frames may come in any order; 8-bit numbers with their range give the same score."""
    images = [np.round(255 * texture(seed)) for seed in range(4)]
    fused, frames = images[0], images[1:]
    metric = BY_NAME[name].function
    value = metric(fused, frames, data_range=255)
    assert metric(fused, frames[::-1], data_range=255) == pytest.approx(value, abs=1e-6)
    scaled = [image / 255.0 for image in frames]
    assert metric(fused / 255.0, scaled, data_range=1.0) == pytest.approx(value, abs=1e-5)


@pytest.mark.parametrize("name", BY_NAME)
def test_better_merge_scores_better(name):
    """Truth beats noise of a quarter of the range and a heavy blur, by every metric."""
    truth, first, second = (image[100:260, 150:330] for image in halves("camera"))
    metric = BY_NAME[name]
    noisy = truth + np.random.default_rng(2).normal(0.0, 0.25, truth.shape)
    blurred = ndimage.gaussian_filter(truth, 8.0)
    value = metric.function(truth, [first, second], data_range=1.0)
    for worse in (noisy, blurred):
        assert metric.better(value, metric.function(worse, [first, second], data_range=1.0))


@pytest.mark.parametrize("name", BY_NAME)
def test_constant_images_have_a_defined_value(name):
    """Grey frames and the same grey as result are a perfect merge; black likewise."""
    for grey in (0.0, 0.4):
        flat = np.full((20, 24), grey)
        value = BY_NAME[name].function(flat, [flat, flat, flat], data_range=1.0)
        assert value == pytest.approx(BY_NAME[name].best, abs=1e-6)
        textured = BY_NAME[name].function(texture(shape=(20, 24)), [flat, flat], data_range=1.0)
        assert not math.isnan(textured)


@pytest.mark.parametrize("name", BY_NAME)
def test_mask_leaves_out_what_it_covers(name):
    """Damage outside the mask changes nothing inside; an empty mask has no value."""
    fused, frames = texture(0), [texture(1), texture(2)]
    mask = np.zeros(fused.shape, dtype=bool)
    mask[:, :12] = True
    damaged = fused.copy()
    damaged[:, 34:] = 1.0
    metric = BY_NAME[name].function
    before = metric(fused, frames, data_range=1.0, mask=mask)
    after = metric(damaged, frames, data_range=1.0, mask=mask)
    if name in ("chen_blum", "phase_congruency"):  # their filters span the picture
        assert after == pytest.approx(before, abs=0.05)
    else:
        assert after == pytest.approx(before, abs=1e-6)
    assert math.isnan(metric(fused, frames, data_range=1.0, mask=np.zeros_like(mask)))


@given(
    hnp.arrays(np.float32, (3, 18, 17), elements=st.floats(0.0, 1.0, width=32)),
    st.sampled_from(sorted(BY_NAME)),
)
@settings(max_examples=150)
def test_any_images_stay_in_range(images, name):
    """Whatever the images, the value lies in the range that the metric declares."""
    value = BY_NAME[name].function(images[0], images[1:], data_range=1.0)
    low, high = BY_NAME[name].range
    assert low - 1e-6 <= value <= high + 1e-6


def test_colour_is_scored_by_its_luma():
    """An RGB image with equal channels scores as the grey one."""
    fused, frames = texture(0), [texture(1), texture(2)]
    grey = score_fusion(fused, frames, data_range=1.0)
    coloured = [np.repeat(image[..., None], 3, axis=2) for image in (fused, *frames)]
    colour = score_fusion(coloured[0], coloured[1:], data_range=1.0)
    assert colour == pytest.approx(grey, abs=1e-5)


def test_wrong_requests_are_refused():
    """Too few frames, other shapes, NaN and unknown names are named."""
    image = texture()
    with pytest.raises(ValueError, match="frames must hold two images or more, got 1"):
        piella(image, [image], data_range=1.0)
    with pytest.raises(ValueError, match=r"frame 1 must have .* \(40, 44\), got \(30, 44\)"):
        piella(image, [image, image[:30]], data_range=1.0)
    with pytest.raises(ValueError, match="frame 0 must be finite, got 1760 values"):
        piella(image, [image * np.nan, image], data_range=1.0)
    with pytest.raises(ValueError, match=r"names must be among .*edge_transfer.*got \['x'\]"):
        score_fusion(image, [image, image], data_range=1.0, names=["x"])
    with pytest.raises(ValueError, match="data_range must be positive and finite, got 0"):
        piella(image, [image, image], data_range=0)
