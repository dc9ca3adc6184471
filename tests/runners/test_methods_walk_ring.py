"""Random walks and the ring difference, each in the terms of its paper."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from scipy import ndimage
from skimage.segmentation import random_walker

from stacktruth.runners.methods.align.aligned import AlignedFrames
from stacktruth.runners.methods.fuse.focus_map import focus_map
from stacktruth.runners.methods.fuse.fused import Fused
from stacktruth.runners.methods.fuse.random_walk import likeliest_position, random_walk
from stacktruth.runners.methods.fuse.ring_difference import (
    reliability,
    ring_difference,
    ring_kernel,
)
from stacktruth.runners.methods.fuse.walk import grid_laplacian, likeness, walk_probabilities
from tests.runners.near_far import aligned
from tests.runners.stacks import make_stack

STAGES = pytest.mark.parametrize("fuse", [random_walk, ring_difference])


def test_probabilities_are_those_of_a_dense_solve() -> None:
    """(L + diag(d)) p = pull, written out pixel by pixel and solved by NumPy (Shen 2011)."""
    rng = np.random.default_rng(1)
    rows, columns, labels = 5, 7, 3
    pull = rng.uniform(0, 1, (rows, columns, labels)).astype(np.float32)
    down, right = rng.uniform(0, 1, (rows - 1, columns)), rng.uniform(0, 1, (rows, columns - 1))
    dense = np.diag(pull.sum(axis=2).ravel().astype(float))
    for row, column in np.ndindex(rows, columns):
        here = row * columns + column
        for other, weights in ((here + columns, down), (here + 1, right)):
            if row < weights.shape[0] and column < weights.shape[1]:
                weight = weights[row, column]
                dense[[here, other], [here, other]] += weight
                dense[here, other] -= weight
                dense[other, here] -= weight
    expected = np.linalg.solve(dense, pull.reshape(-1, labels)).reshape(pull.shape)
    found = walk_probabilities(pull, down.astype(np.float32), right.astype(np.float32))
    np.testing.assert_allclose(found, expected, atol=2e-6)
    np.testing.assert_allclose(found.sum(axis=2), 1, atol=1e-6)


def test_with_seeds_alone_it_is_scikit_images_random_walker() -> None:
    """Where three cells pull without end and the rest not at all: Grady's walk.

    Its edges are exp(-beta d^2 / (10 std)), d the difference of grey (scikit-image's own scale).
    """
    grey = np.random.default_rng(2).uniform(0, 1, (12, 15))
    seeds = np.zeros(grey.shape, dtype=int)
    seeds[2, 3], seeds[9, 11], seeds[3, 12] = 1, 2, 3
    theirs = random_walker(grey, seeds, beta=30, mode="bf", return_full_prob=True)
    pull = np.stack([(seeds == label) * 1e6 for label in (1, 2, 3)], axis=-1).astype(np.float32)
    scale = 30 / (10 * grey.std())
    down, right = (np.exp(-scale * np.diff(grey, axis=axis) ** 2) for axis in (0, 1))
    ours = walk_probabilities(pull, down.astype(np.float32), right.astype(np.float32))
    np.testing.assert_allclose(np.moveaxis(ours, -1, 0), theirs, atol=1e-3)
    assert np.ptp(theirs) == pytest.approx(1)


def test_a_walker_does_not_cross_to_another_colour() -> None:
    """Two colours, a pull in each: every cell goes to the label of its own colour."""
    picture = np.zeros((10, 12, 3), dtype=np.float32)
    picture[:, 6:] = 0.5
    pull = np.zeros((10, 12, 2), dtype=np.float32)
    pull[5, 1, 0] = pull[5, 11, 1] = 1
    down, right = likeness(picture, sigma=0.1)
    assert right[0, 5] == pytest.approx(np.exp(-np.sqrt(0.75) / 0.1))
    assert (down == 1).all()
    chances = walk_probabilities(pull, down, right)
    assert (chances.argmax(axis=2) == (np.arange(12) > 5)).all()
    np.testing.assert_allclose(grid_laplacian(down, right).sum(axis=0), 0, atol=1e-6)


def test_the_likeliest_frame_is_mixed_with_its_neighbours_alone() -> None:
    """By hand: 0.5 at frame 1 beside 0.2 and 0.1 gives 1 - 0.1/0.8; the far 0.2 does not count."""
    chances = np.array([[[0.2, 0.5, 0.1, 0.0, 0.2]]], dtype=np.float32)
    assert likeliest_position(chances)[0, 0] == pytest.approx(0.875)


def test_ring_kernel_by_hand() -> None:
    """Five pixels within 1 px, less the pixels from 2 to 3 px off, whose count is done by hand.

    Squared distances 4, 5, 8 and 9 hold 4, 8, 4 and 4 pixels of the lattice: 20.
    """
    kernel = ring_kernel(1.0, (2.0, 3.0))
    assert kernel.shape == (7, 7)
    assert kernel[3, 3] == kernel[3, 4] == pytest.approx(1 / 5)
    assert kernel[3, 5] == kernel[3, 6] == kernel[1, 1] == pytest.approx(-1 / 20)
    assert kernel[0, 0] == kernel[2, 2] == 0
    assert (np.count_nonzero(kernel > 0), np.count_nonzero(kernel < 0)) == (5, 20)
    assert abs(kernel.sum()) < 1e-6


def test_the_filter_is_blind_to_planes_and_sees_a_point() -> None:
    """Zero mean and symmetric: nothing of a constant or a slope; a point gives the kernel."""
    y, x = np.mgrid[:21, :25]
    plane = (0.2 + 0.01 * x - 0.02 * y).astype(np.float32)
    response = ndimage.correlate(plane, ring_kernel())
    np.testing.assert_allclose(response[5:-5, 5:-5], 0, atol=1e-6)
    point = np.zeros((21, 25), np.float32)
    point[10, 12] = 1
    assert ndimage.correlate(point, ring_kernel())[10, 12] == pytest.approx(0.2)


def test_a_flat_curve_is_not_reliable_and_a_lone_peak_is() -> None:
    """0 where all frames are alike, 1 where one alone responds, for any number of frames."""
    for count in (2, 5, 33):
        height = np.ones((1, 2), np.float32)
        total = np.array([[count, 1]], dtype=np.float32)
        np.testing.assert_allclose(reliability(height, total, count), [[0, 1]], atol=1e-6)


def test_depth_of_a_noisy_slope_is_better_than_the_focus_maps() -> None:
    """What the paper claims: noise leads the ring difference less astray."""
    made = make_stack(count=7, blur_px_per_frame=0.8, noise=0.01, photo="grass")
    frames = aligned(made.frames)
    inner = np.s_[28:-28, 28:-28]

    def error(fuse: Callable[[AlignedFrames], Fused]) -> float:
        position = fuse(frames).position
        assert position is not None
        return float(np.abs(position - made.depth)[inner].mean())

    assert error(ring_difference) < 0.9 * error(focus_map)


@cache
def near_and_far() -> tuple[np.ndarray, list]:
    """Return a picture, and it with its right and with its left half out of focus."""
    ideal = make_stack(count=2, blur_px_per_frame=0.0, photo="grass").frames[0]
    soft = ndimage.gaussian_filter(ideal.astype(float), (2.5, 2.5, 0)).astype(np.uint16)
    near, far = ideal.copy(), ideal.copy()
    near[:, 128:], far[:, :128] = soft[:, 128:], soft[:, :128]
    return ideal, [near, far]


@STAGES
def test_a_near_and_a_far_frame_are_better_merged_than_by_mean_and_maximum(fuse) -> None:
    """The ideal is known: the error is less than half of averaging's and the maximum's."""
    ideal, frames = near_and_far()
    pair = aligned(frames)
    fused = fuse(pair)
    truth = ideal / 65535

    def error(image: np.ndarray) -> float:
        return float(np.sqrt(np.mean((image - truth) ** 2)))

    mean, largest = np.mean(frames, axis=0) / 65535, np.maximum(*frames) / 65535
    assert error(fused.image) < 0.5 * min(error(mean), error(largest))
    assert np.mean((fused.position > 0.5)[:, :120]) < 0.02
    assert np.mean((fused.position > 0.5)[:, 136:]) > 0.98


@STAGES
def test_swapped_frames_give_the_swapped_map(fuse) -> None:
    """The order of two frames changes no pixel's choice."""
    _, frames = near_and_far()
    forth, back = fuse(aligned(frames)), fuse(aligned(frames[::-1]))
    np.testing.assert_allclose(forth.image, back.image, atol=5e-3)
    np.testing.assert_allclose(forth.position, 1 - back.position, atol=0.02)


@STAGES
@pytest.mark.parametrize("count", [1, 2, 5])
def test_blank_frames_give_a_blank_picture(fuse, count) -> None:
    """Where nothing is sharp no value is NaN and the picture is what all frames show."""
    fused = fuse(aligned([np.full((40, 50, 3), 20000, np.uint16)] * count))
    np.testing.assert_allclose(fused.image, 20000 / 65535, atol=1e-5)
    assert np.isfinite(fused.position).all()
    assert fused.position.min() >= 0
    assert fused.position.max() <= count - 1
