"""Residual motion: known motions come back, and nothing is moved that is in place."""

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates
from skimage.transform import SimilarityTransform

from stacktruth.metrics.registration.similarity import (
    IDENTITY,
    Similarity,
    _Level,
    fit_similarity,
    resample,
)

MOTIONS = (
    Similarity(shift_x_px=0.3, shift_y_px=-0.2, turn_mrad=0.4, scale=1.0005),
    Similarity(shift_x_px=2.7, shift_y_px=-3.1, turn_mrad=3.0, scale=1.004),
    Similarity(shift_x_px=11.0, shift_y_px=8.0, turn_mrad=-8.0, scale=0.99),
)


def moved_by(image: np.ndarray, motion: Similarity) -> np.ndarray:
    """Move a picture by scikit-image's similarity: its detail at p goes to the motion's T(p)."""
    height, width = image.shape[:2]
    middle = np.array([width - 1, height - 1]) / 2
    linear = SimilarityTransform(rotation=motion.turn_mrad * 1e-3, scale=motion.scale).params[
        :2, :2
    ]
    matrix = np.eye(3)
    matrix[:2, :2] = linear
    matrix[:2, 2] = middle - linear @ middle + (motion.shift_x_px, motion.shift_y_px)
    back = np.linalg.inv(matrix)
    rows, columns = np.mgrid[:height, :width].astype(float)
    x = back[0, 0] * columns + back[0, 1] * rows + back[0, 2]
    y = back[1, 0] * columns + back[1, 1] * rows + back[1, 2]
    planes = [map_coordinates(image[..., k], (y, x), order=5, mode="nearest") for k in range(3)]
    return np.stack(planes, axis=-1)


def distance_px(first: Similarity, second: Similarity, shape: tuple[int, ...]) -> float:
    """RMS distance of two motions over a picture."""
    return math.sqrt(((first.motion_px(shape) - second.motion_px(shape)) ** 2).sum(-1).mean())


@pytest.fixture(scope="module")
def scene(coffee: np.ndarray) -> np.ndarray:
    """Give the photograph a little softer, so that a spline can move it."""
    return gaussian_filter(coffee, (1, 1, 0))


@pytest.mark.parametrize("motion", MOTIONS)
def test_a_known_motion_comes_back(scene: np.ndarray, motion: Similarity) -> None:
    """Shift, turn and scale to 0.001 px over the whole picture, whatever the gain."""
    result = 0.9 * moved_by(scene, motion)
    found = fit_similarity(result, scene, data_range=1.0)
    assert distance_px(found, motion, scene.shape) < 1e-3


def test_noise_and_blur_do_not_bias_the_motion(scene: np.ndarray) -> None:
    """A result blurred by 1.5 px and with 1 % noise is placed to a hundredth of a pixel."""
    motion = MOTIONS[0]
    soft = gaussian_filter(moved_by(scene, motion), (1.5, 1.5, 0))
    noise = 0.01 * np.random.default_rng(1).standard_normal(soft.shape)
    found = fit_similarity(soft + noise, scene, data_range=1.0)
    assert distance_px(found, motion, scene.shape) < 0.01


def test_a_wrong_part_does_not_pull(scene: np.ndarray) -> None:
    """A fifth of the picture doubled six pixels beside itself leaves the rest in place."""
    motion = MOTIONS[0]
    result = moved_by(scene, motion)
    result[:, 200:320] = 0.5 * (result[:, 200:320] + np.roll(result, 6, axis=1)[:, 200:320])
    found = fit_similarity(result, scene, data_range=1.0)
    assert distance_px(found, motion, scene.shape) < 0.02


def test_the_same_picture_has_no_motion(picture) -> None:
    """Equal images give exactly the identity, also of odd size and tiny."""
    for size in ((61, 83), (48, 64), (5, 7), (1, 1)):
        image = picture(1, *size)
        assert fit_similarity(image, image.copy(), data_range=1.0) == IDENTITY


def test_nothing_to_measure_is_no_motion(picture) -> None:
    """Flat pictures, and pictures of something else, give the identity."""
    flat, dim = np.full((64, 80, 3), 0.5), np.full((64, 80, 3), 0.4)
    assert fit_similarity(dim, flat, data_range=1.0) == IDENTITY
    assert fit_similarity(flat, picture(1, 64, 80), data_range=1.0) == IDENTITY
    far = fit_similarity(picture(2, 160, 200), picture(1, 160, 200), data_range=1.0)
    assert far.residual_px((160, 200)) < 12


def test_a_fit_is_kept_only_if_it_brings_the_two_nearer(picture) -> None:
    """Between unrelated pictures no motion is returned that fits worse than none."""
    for seed in range(12):
        result, reference = picture(seed, 96, 128)[..., 1], picture(seed + 50, 96, 128)[..., 1]
        level = _Level(result, reference, np.ones_like(reference))
        assert level.cost(fit_similarity(result, reference, data_range=1.0)) <= level.cost(IDENTITY)


def test_only_the_mask_is_trusted(scene: np.ndarray) -> None:
    """With the left half moved otherwise, the right half alone decides."""
    mask = np.zeros(scene.shape[:2], dtype=bool)
    mask[:, 320:] = True
    result = moved_by(scene, MOTIONS[0])
    result[:, :280] = moved_by(scene, MOTIONS[1])[:, :280]
    found = fit_similarity(result, scene, data_range=1.0, mask=mask)
    assert distance_px(found, MOTIONS[0], scene.shape) < 5e-3


def test_resampling_brings_the_detail_back(scene: np.ndarray) -> None:
    """A moved picture resampled by its motion is the picture again where it is inside."""
    motion = MOTIONS[1]
    back, inside = resample(moved_by(scene, motion), motion)
    away = np.abs(back - scene).max(axis=2)
    inside[:12], inside[-12:], inside[:, :12], inside[:, -12:] = (False,) * 4
    assert inside.mean() > 0.85
    assert away[inside].max() < 5e-3


def test_directions_of_a_motion() -> None:
    """Right and down are positive; a positive turn takes the right end of a row downwards."""
    shift = Similarity(shift_x_px=2.0, shift_y_px=1.0).motion_px((4, 6))
    np.testing.assert_allclose(shift, np.broadcast_to([2.0, 1.0], (4, 6, 2)))
    turn = Similarity(turn_mrad=100.0).motion_px((4, 6))
    assert turn[2, 5, 1] > 0.2
    assert turn[2, 0, 1] < -0.2


def test_a_spot_moves_as_told() -> None:
    """A spot found at (x + 3, y + 2) in the result is brought back to (x, y)."""
    result = np.zeros((20, 30), dtype=np.float32)
    result[10 + 2, 12 + 3] = 1.0
    back, _ = resample(result, Similarity(shift_x_px=3.0, shift_y_px=2.0))
    assert np.unravel_index(back.argmax(), back.shape) == (10, 12)
    assert back.max() == pytest.approx(1.0, abs=1e-5)


def test_residual_is_the_rms_of_the_motion_field() -> None:
    """The closed form equals the mean over the field."""
    for motion in MOTIONS:
        field = motion.motion_px((37, 52))
        expected = math.sqrt((field**2).sum(-1).mean())
        assert motion.residual_px((37, 52)) == pytest.approx(expected, rel=1e-12)
