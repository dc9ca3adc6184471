"""Properties that every metric of the registry must have, on random pictures and maps."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter
from scipy.special import erf

from stacktruth.metrics import METRICS
from stacktruth.metrics.record import GROUPS, Metric

SEEDS = st.integers(0, 2**20)
FEW = settings(max_examples=4, deadline=None)
SIZES = {"multi_scale_ssim": (176, 184)}
SYMMETRIC = ("psnr_db", "ssim", "multi_scale_ssim", "ciede2000_mean", "gradient_error",
             "gradient_similarity", "noise_rms", "noise_kept")  # fmt: skip
CHANNELS_ALIKE = ("psnr_db", "ssim")


def of_group(*groups: str) -> list[Any]:
    """Give the metrics of some groups as test parameters."""
    return [pytest.param(m, id=m.name) for m in METRICS.values() if m.group in groups]


def picture(seed: int, size: tuple[int, int]) -> np.ndarray:
    """Make a coloured picture of detail at several scales, in whole levels of 8 bits."""
    rng = np.random.default_rng(seed)
    layers = [
        gaussian_filter(rng.standard_normal((*size, 3)), (sigma, sigma, 0)) * sigma
        for sigma in (0.7, 1.5, 4.0, 9.0)
    ]
    image = 0.5 + 0.12 * sum(layers)
    image[:, : size[1] // 2] *= 0.6  # something to stand before something else
    return np.round(255 * image.clip(0.02, 0.98)) / 255


def pictures(seed: int, metric: Metric) -> tuple[np.ndarray, np.ndarray]:
    """Make a reference and a result with a blur and noise."""
    reference = picture(seed, SIZES.get(metric.name, (48, 64)))
    noise = 0.03 * np.random.default_rng(seed).standard_normal(reference.shape)
    result = gaussian_filter(reference, (0.6, 0.6, 0)) + noise
    return np.round(255 * result.clip(0, 1)) / 255, reference


def ask(
    metric: Metric,
    result: np.ndarray,
    reference: np.ndarray,
    *,
    white: float = 1.0,
    dtype: type = np.float64,
    mask: np.ndarray | None = None,
) -> float:
    """Call an image or artefact metric with all it needs, values scaled to a white and a type."""

    def told(image: np.ndarray) -> np.ndarray:
        scaled = image * white
        return (np.round(scaled) if np.issubdtype(dtype, np.integer) else scaled).astype(dtype)

    size = reference.shape[:2]
    other = picture(999, size) if reference.ndim == 3 else picture(999, size)[..., 1]
    needs = {
        "data_range": white,
        "frame_noise_rms": 0.02,
        "depth_mm": np.where(np.arange(size[1]) < size[1] // 2, 0.0, 2.0) + np.zeros(size),
        "min_step_mm": 0.5,
        "others": [told(other)],
        "behind": told(other),
    }
    chosen = {name: needs[name] for name in metric.needs}
    return metric.function(told(result), told(reference), mask=mask, **chosen)


def assert_defined(metric: Metric, value: float) -> None:
    """In range, or NaN with a reason on record."""
    if math.isnan(value):
        assert metric.undefined
    else:
        assert metric.range[0] - 1e-6 <= value <= metric.range[1] + 1e-6


def test_every_group_is_looked_after() -> None:
    """Each group of the registry has properties here; fusion has its own file."""
    here = {"image", "artefact", "depth", "registration", "tone", "frames", "sharpness"}
    assert set(GROUPS) == here | {"fusion"}
    assert {metric.group for metric in METRICS.values()} == set(GROUPS)


@pytest.mark.parametrize("metric", of_group("image", "artefact", "tone"))
@FEW
@given(seed=SEEDS)
def test_identity_is_best(metric: Metric, seed: int) -> None:
    """A picture against itself gets the best value."""
    _, reference = pictures(seed, metric)
    assert ask(metric, reference, reference) == pytest.approx(metric.best, abs=1e-6)


@pytest.mark.parametrize("metric", of_group("image", "artefact", "tone"))
@FEW
@given(seed=SEEDS)
def test_values_stay_in_range(metric: Metric, seed: int) -> None:
    """Near results, unrelated pictures and negatives alike."""
    result, reference = pictures(seed, metric)
    for other in (result, picture(seed + 1, reference.shape[:2]), 1 - reference):
        assert_defined(metric, ask(metric, other, reference))


@pytest.mark.parametrize("metric", of_group("image"))
@FEW
@given(seed=SEEDS)
def test_more_blur_is_worse(metric: Metric, seed: int) -> None:
    """A blur of 1.6 px scores worse than one of 0.7 px."""
    _, reference = pictures(seed, metric)
    scores = [
        ask(metric, gaussian_filter(reference, (sigma, sigma, 0)), reference)
        for sigma in (0.7, 1.6)
    ]
    assert metric.better(*scores)


@pytest.mark.parametrize("metric", [p for p in of_group("image") if p.id != "detail_kept"])
@FEW
@given(seed=SEEDS)
def test_more_noise_is_worse(metric: Metric, seed: int) -> None:
    """Noise of 0.06 scores worse than 0.01; only true detail does not mind it."""
    _, reference = pictures(seed, metric)
    noise = np.random.default_rng(seed).standard_normal(reference.shape)
    scores = [ask(metric, reference + level * noise, reference) for level in (0.01, 0.06)]
    assert metric.better(*scores)


@pytest.mark.parametrize("name", SYMMETRIC)
@FEW
@given(seed=SEEDS)
def test_symmetric_where_due(name: str, seed: int) -> None:
    """Result and reference may change places."""
    result, reference = pictures(seed, METRICS[name])
    expected = ask(METRICS[name], result, reference)
    assert ask(METRICS[name], reference, result) == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize("name", CHANNELS_ALIKE)
@FEW
@given(seed=SEEDS)
def test_channels_count_alike(name: str, seed: int) -> None:
    """Turning round the channels of both pictures changes nothing."""
    result, reference = pictures(seed, METRICS[name])
    expected = ask(METRICS[name], result, reference)
    got = ask(METRICS[name], result[..., ::-1], reference[..., ::-1])
    assert got == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize(
    "metric", [p for p in of_group("image") if p.id not in (*CHANNELS_ALIKE, "ciede2000_mean")]
)
@FEW
@given(seed=SEEDS)
def test_luma_weighs_green_most_and_blue_least(metric: Metric, seed: int) -> None:
    """The same loss of detail matters more in green than in red, and least in blue."""
    _, reference = pictures(seed, metric)
    reference = np.repeat(reference[..., :1], 3, axis=2)
    scores = []
    for channel in (2, 0, 1):
        result = reference.copy()
        result[..., channel] = gaussian_filter(reference[..., channel], 1.5)
        scores.append(ask(metric, result, reference))
    assert metric.better(scores[0], scores[1])
    assert metric.better(scores[1], scores[2])


@pytest.mark.parametrize("metric", of_group("image", "artefact", "tone"))
@FEW
@given(seed=SEEDS)
def test_type_and_range_do_not_matter(metric: Metric, seed: int) -> None:
    """8-bit, 16-bit, single and double precision, and any white, give one value."""
    result, reference = pictures(seed, metric)
    expected = ask(metric, result, reference)
    for dtype, white in ((np.uint8, 255), (np.uint16, 65535), (np.float32, 1), (np.float64, 37)):
        got = ask(metric, result, reference, dtype=dtype, white=white)
        assert got == pytest.approx(expected, rel=2e-4, abs=1e-5, nan_ok=True), (dtype, white)


@pytest.mark.parametrize("metric", of_group("image", "artefact"))
@FEW
@given(seed=SEEDS)
def test_grey_is_three_equal_channels(metric: Metric, seed: int) -> None:
    """A plane scores as the picture that holds it three times (foreign pictures apart)."""
    result, reference = (image[..., 1] for image in pictures(seed, metric))
    grey = ask(metric, result, reference)
    if {"others", "behind"} & set(metric.needs):
        assert_defined(metric, grey)
        return
    colour = ask(metric, *(np.repeat(each[..., None], 3, axis=2) for each in (result, reference)))
    assert colour == pytest.approx(grey, rel=2e-4, abs=1e-5, nan_ok=True)


@pytest.mark.parametrize("metric", of_group("image", "artefact"))
@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_values_that_are_not_finite_are_refused(metric: Metric, bad: float) -> None:
    """One NaN or infinity anywhere is an error that says where."""
    result, reference = pictures(1, metric)
    for which, name in enumerate(("result", "reference")):
        images = [result.copy(), reference.copy()]
        images[which][3, 4, 1] = bad
        with pytest.raises(ValueError, match=f"{name} must be finite, got 1 values"):
            ask(metric, *images)


@pytest.mark.parametrize("metric", of_group("image", "artefact"))
def test_masks(metric: Metric) -> None:
    """All pixels are the same as no mask; no pixel is NaN."""
    result, reference = pictures(1, metric)
    everywhere = np.ones(reference.shape[:2], dtype=bool)
    assert ask(metric, result, reference, mask=everywhere) == ask(metric, result, reference)
    assert math.isnan(ask(metric, result, reference, mask=~everywhere))


@pytest.mark.parametrize("metric", [p for p in of_group("image") if p.id != "multi_scale_ssim"])
@FEW
@given(seed=SEEDS)
def test_pixels_far_from_the_mask_have_no_say(metric: Metric, seed: int) -> None:
    """What happens 24 px beyond the mask changes nothing (five scales reach farther)."""
    result, reference = pictures(seed, metric)
    mask = np.zeros(reference.shape[:2], dtype=bool)
    mask[:, :32] = True
    expected = ask(metric, result, reference, mask=mask)
    result[:, 56:] = 1 - result[:, 56:]
    assert ask(metric, result, reference, mask=mask) == expected


@pytest.mark.parametrize("metric", of_group("image", "artefact", "tone"))
@FEW
@given(levels=st.tuples(*[st.sampled_from([0.0, 0.2, 0.5, 1.0])] * 2))
def test_flat_pictures_have_a_defined_value(metric: Metric, levels: tuple[float, float]) -> None:
    """The best value or NaN with a reason if they are equal; a value in range if not."""
    size = SIZES.get(metric.name, (48, 64))
    result, reference = (np.full((*size, 3), level) for level in levels)
    value = ask(metric, result, reference)
    assert_defined(metric, value)
    if levels[0] == levels[1] and not math.isnan(value):
        assert value == pytest.approx(metric.best, abs=1e-6)


def depth_maps(seed: int) -> tuple[np.ndarray, np.ndarray, dict[str, Any]]:
    """Make a true depth with a step and a hole, a noisy answer with a gap, and the options."""
    rng = np.random.default_rng(seed)
    truth = gaussian_filter(rng.standard_normal((32, 40)), 4.0) * 4
    truth[:, 20:] += 2.0
    answer = truth + 0.1 * rng.standard_normal(truth.shape)
    truth[5, 6] = np.nan
    answer[20:24, 30:34] = np.nan
    sure = rng.random(truth.shape) - np.abs(answer - truth)
    return answer, truth, {"dof_mm": 0.15, "origin_mm": -6.0, "confidence": sure}


def ask_depth(metric: Metric, answer: np.ndarray, truth: np.ndarray, **options: Any) -> float:
    """Call a depth metric with what it needs."""
    kept = {key: value for key, value in options.items() if key in (*metric.needs, "mask")}
    return metric.function(answer, truth, **kept)


@pytest.mark.parametrize("metric", of_group("depth"))
@FEW
@given(seed=SEEDS)
def test_depth_values_and_units(metric: Metric, seed: int) -> None:
    """In range; a value in mm goes with the scale of the scene, a share does not."""
    answer, truth, options = depth_maps(seed)
    value = ask_depth(metric, answer, truth, **options)
    assert_defined(metric, value)
    lengths = {name: 8 * options[name] for name in ("dof_mm", "origin_mm")}
    scaled = ask_depth(metric, 8 * answer, 8 * truth, **(options | lengths))
    assert scaled == pytest.approx((8 if metric.unit else 1) * value, rel=1e-9)


@pytest.mark.parametrize("metric", of_group("depth"))
@FEW
@given(seed=SEEDS)
def test_depth_has_no_origin_and_no_type(metric: Metric, seed: int) -> None:
    """Moving both maps, and the plane that ratios count from, changes nothing.

    Single precision gives the same to its digits.
    """
    answer, truth, options = depth_maps(seed)
    expected = ask_depth(metric, answer, truth, **options)
    there = options | {"origin_mm": options["origin_mm"] + 16.0}
    moved = ask_depth(metric, answer + 16.0, truth + 16.0, **there)
    single = ask_depth(metric, answer.astype(np.float32), truth.astype(np.float32), **options)
    assert moved == pytest.approx(expected, rel=1e-9, abs=1e-12)
    assert single == pytest.approx(expected, rel=1e-4, abs=2e-3)


@pytest.mark.parametrize(
    "metric", [p for p in of_group("depth") if p.id not in ("coverage", "depth_bias_mm")]
)
@FEW
@given(seed=SEEDS)
def test_more_depth_error_is_worse(metric: Metric, seed: int) -> None:
    """Ten times the error scores worse."""
    answer, truth, options = depth_maps(seed)
    worse = truth + 10 * (answer - truth)
    scores = [ask_depth(metric, each, truth, **options) for each in (answer, worse)]
    assert metric.better(*scores)


@pytest.mark.parametrize("metric", of_group("depth"))
def test_depth_masks_and_gaps(metric: Metric) -> None:
    """All is no mask; no pixel, or no truth, is NaN; no answer at all is NaN, or the worst."""
    answer, truth, options = depth_maps(1)
    everywhere = np.ones(truth.shape, dtype=bool)
    expected = ask_depth(metric, answer, truth, **options)
    nothing = np.full(truth.shape, np.nan)
    assert ask_depth(metric, answer, truth, mask=everywhere, **options) == expected
    assert math.isnan(ask_depth(metric, answer, truth, mask=~everywhere, **options))
    assert math.isnan(ask_depth(metric, answer, nothing, **options))
    unanswered = ask_depth(metric, nothing, truth, **options)
    if metric.name == "bad_share_auc" or metric.needs[:1] == ("confidence",):
        assert math.isnan(unanswered)
    elif metric.name == "boundary_f1":
        assert unanswered == 0.0
    elif metric.name.startswith(("coverage", "bad_share", "depth_delta")):
        assert unanswered == (0.0 if metric.direction == "higher" else 1.0)
    else:
        assert math.isnan(unanswered)


@FEW
@given(seed=SEEDS, scale=st.floats(0.1, 10))
def test_motion_error_is_a_distance(seed: int, scale: float) -> None:
    """Zero for equal fields, the same both ways, and in proportion; no mask left is NaN."""
    error = METRICS["motion_error_px"].function
    first, second = np.random.default_rng(seed).standard_normal((2, 6, 8, 2))
    assert error(first, first) == 0.0
    assert error(first, second) == pytest.approx(error(second, first))
    assert error(scale * first, scale * second) == pytest.approx(scale * error(first, second))
    assert math.isnan(error(first, second, mask=np.zeros((6, 8), dtype=bool)))


@FEW
@given(
    sigma_px=st.floats(0.5, 2.5), angle_deg=st.floats(2.5, 15), contrast=st.floats(0.1, 5),
    pedestal=st.floats(0, 3),
)  # fmt: skip
def test_mtf50_does_not_see_exposure(
    sigma_px: float, angle_deg: float, contrast: float, pedestal: float
) -> None:
    """Whatever the contrast, the pedestal and the number type, it is that of the blur."""
    angle = math.radians(angle_deg)
    y, x = np.mgrid[:80, :100].astype(float)
    away = (x - 49.5) * math.cos(angle) + (y - 39.5) * math.sin(angle)
    image = pedestal + contrast * (1 + erf(away / (sigma_px * math.sqrt(2))))
    entry = METRICS["mtf50_cy_px"]
    value = entry.function(image)
    assert_defined(entry, value)
    assert value == pytest.approx(0.18739 / sigma_px, rel=0.015)
    assert entry.function(image.astype(np.float32)) == pytest.approx(value, rel=1e-3)


@pytest.mark.parametrize("metric", of_group("frames"))
@FEW
@given(planes=st.lists(st.integers(-8, 24), min_size=1, max_size=8), seed=SEEDS)
def test_frame_choice_has_no_order_and_no_scale(
    metric: Metric, planes: list[int], seed: int
) -> None:
    """Any order gives one value; all lengths times 4 give the same share, and four times a gap."""
    focus = np.array(planes) / 16
    wanted = {"dof_mm": 0.125, "near_mm": 0.0, "far_mm": 1.0}
    value = metric.function(focus, **wanted)
    assert_defined(metric, value)
    shuffled = np.random.default_rng(seed).permutation(focus)
    assert metric.function(shuffled, **wanted) == pytest.approx(value, nan_ok=True)
    scaled = metric.function(4 * focus, **{key: 4 * each for key, each in wanted.items()})
    assert scaled == pytest.approx((4 if metric.unit else 1) * value, nan_ok=True)
