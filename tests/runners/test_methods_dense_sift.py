"""Fusion by dense SIFT, in the terms of its paper."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy import ndimage

from stacktruth.runners.methods.fuse.dense_matching import (
    at_match,
    sharper_share,
    spatial_frequency,
)
from stacktruth.runners.methods.fuse.dense_sift import dense_sift, vote_share, without_small
from stacktruth.runners.methods.fuse.guided import guided_weights
from stacktruth.runners.methods.fuse.laplacian import laplacian_maximum
from stacktruth.runners.methods.picture.dense_sift import (
    activity,
    cell_values,
    directed,
    over_cells,
)
from tests.runners.near_far import aligned, near_and_far, rms


def texture(shape: tuple[int, int] = (80, 90), seed: int = 0) -> np.ndarray:
    """Return smooth noise about 0..1."""
    grey = ndimage.gaussian_filter(np.random.default_rng(seed).random(shape), 1.5)
    return ((grey - grey.min()) / np.ptp(grey)).astype(np.float32)


def descriptor(grey: np.ndarray, row: int, column: int) -> np.ndarray:
    """Return what the module gathers at one pixel, (4, 4, 8): cells down, across, directions."""
    cells = cell_values(grey)
    places = np.arange(-9, 10, 6)
    return np.moveaxis(cells[:, row + places[:, None], column + places], 0, -1)


def test_a_slope_by_hand() -> None:
    """Slope g across: g in direction 0, g (cos 45)^9 = 0.0442 g in its neighbours, 0 elsewhere.

    Times the sum of k^2 over the weights of a Gaussian cut at 2 px, which its derivative gives of
    a slope of 1.
    """
    near, far = np.exp(-0.5), np.exp(-2)
    slope = 0.02 * 2 * (near + 4 * far) / (1 + 2 * (near + far))
    x = np.mgrid[:30, :30][1].astype(np.float32)
    found = directed(0.02 * x)[:, 15, 15]
    expected = np.zeros(8)
    expected[[0, 1, 7]] = slope, slope * 0.5**4.5, slope * 0.5**4.5
    np.testing.assert_allclose(found, expected, atol=1e-6)


@pytest.mark.parametrize("turn", range(8))
def test_each_direction_is_where_it_is_said_to_be(turn) -> None:
    """A slope at 45 degrees times k, from across towards down, is strongest in number k."""
    y, x = np.mgrid[:30, :30].astype(np.float32)
    angle = np.pi / 4 * turn
    grey = (0.01 * (np.cos(angle) * x + np.sin(angle) * y)).astype(np.float32)
    assert directed(grey)[:, 15, 15].argmax() == turn


def test_activity_is_the_sum_of_the_descriptor() -> None:
    """All 128 values, gathered cell by cell, with falls written out pixel by pixel."""
    grey = texture()
    planes = directed(grey).astype(float)
    total = 0.0
    for down in (-9, -3, 3, 9):
        for across in (-9, -3, 3, 9):
            for y in range(-5, 6):
                for x in range(-5, 6):
                    fall = (1 - abs(y) / 6) * (1 - abs(x) / 6)
                    total += fall * planes[:, 40 + down + y, 45 + across + x].sum()
    assert activity(grey)[40, 45] == pytest.approx(total, rel=1e-5)
    assert descriptor(grey, 40, 45).sum() == pytest.approx(total, rel=1e-5)
    assert over_cells(cell_values(grey).sum(axis=0))[40 - 9, 45 - 9] == pytest.approx(
        total, rel=1e-5
    )


def test_the_histograms_are_those_of_opencvs_sift() -> None:
    """cv2.SIFT with cells of 6 px (size 4): correlates by 0.85, and any turned one by less.

    Its rows go down and its angles up, so that direction k is its 8 - k; it adds a Gaussian
    window, a limit of 0.2, and the linear share of two directions in the place of a power.
    """
    grey = texture((96, 96), seed=3)
    eight = np.round(255 * grey).astype(np.uint8)
    sift = cv2.SIFT_create()
    likeness = []
    for row, column in ((40, 40), (50, 44), (45, 55)):
        _, theirs = sift.compute(eight, [cv2.KeyPoint(column, row, 4.0, 0.0)])
        theirs = theirs.reshape(4, 4, 8)
        ours = descriptor((eight / np.float32(255)).astype(np.float32), row, column)
        likeness.append(
            [
                np.corrcoef(theirs.ravel(), np.roll(flipped, turn, axis=2).ravel())[0, 1]
                for flipped in (ours, ours[..., -np.arange(8)])
                for turn in range(8)
            ]
        )
    found = np.mean(likeness, axis=0)
    print(np.round(found, 2))
    assert found.max() > 0.85
    assert np.sort(found)[-2] < 0.7


def test_votes_by_hand() -> None:
    """Frame 1 wins the blocks from column 20 on: the share rises over the eight columns."""
    winner = np.repeat((np.arange(40) >= 20)[None], 30, axis=0).astype(np.int16)
    share = vote_share(winner, 1, 8)[15]
    # The block of pixel i holds i - 4 .. i + 3, so pixel p lies in the blocks p - 3 .. p + 4.
    expected = [np.mean([block >= 20 for block in range(p - 3, p + 5)]) for p in range(10, 30)]
    np.testing.assert_allclose(share[10:30], expected, atol=1e-6)
    np.testing.assert_allclose(vote_share(winner, 0, 8), 1 - vote_share(winner, 1, 8), atol=1e-6)


def test_small_regions_by_hand() -> None:
    """A speck of frame 1 within frame 0 goes to frame 0; an open band between two stays open."""
    labels = np.zeros((40, 60), dtype=np.int16)
    labels[:, 40:] = 1
    labels[:, 38:40] = -1
    labels[10:14, 10:14] = 1
    found = without_small(labels, 50)
    assert (found[:, :38] == 0).all()
    assert (found[:, 40:] == 1).all()
    assert (found[:, 38:40] == -1).all()
    assert (without_small(labels, 10)[10:14, 10:14] == 1).all()


def test_a_match_is_found_where_the_other_frame_lies() -> None:
    """The same picture moved by (2, -3) px: the value comes from there, exactly."""
    grey = texture((90, 100))
    moved = np.roll(grey, (2, -3), axis=(0, 1))
    value = np.random.default_rng(1).random(grey.shape).astype(np.float32)
    found = at_match(cell_values(grey), cell_values(moved), value)
    margin = (grey.shape[0] - found.shape[0]) // 2
    expected = np.roll(value, (-2, 3), axis=(0, 1))[margin:-margin, margin:-margin]
    inner = np.s_[6:-6, 6:-6]
    np.testing.assert_array_equal(found[inner], expected[inner])


def test_spatial_frequency_by_hand() -> None:
    """Columns 0 1 0 1: every difference across is 1 and every one down 0, so the root is 1."""
    grey = np.tile(np.array([0, 1], np.float32), (20, 10))
    assert spatial_frequency(grey)[10, 10] == pytest.approx(1)
    assert spatial_frequency((grey + grey.T) / 2)[10, 10] == pytest.approx(np.sqrt(0.5))


def test_the_sharper_of_two_frames_is_told_though_they_are_moved() -> None:
    """What the paper matches for: 2 px off, the sharp frame is told from the blurred one."""
    sharp = texture((90, 100), seed=2)
    soft = np.roll(ndimage.gaussian_filter(sharp, 2.0), 2, axis=1)
    wanted = np.zeros(sharp.shape, dtype=bool)
    wanted[30:60, 30:70] = True
    share = sharper_share(sharp, soft, wanted)
    assert share[wanted].mean() > 0.97
    assert sharper_share(soft, sharp, wanted)[wanted].mean() < 0.03
    assert (share[~wanted] == 0.5).all()


@pytest.mark.parametrize("encoding", ["srgb", "linear"])
def test_a_near_and_a_far_frame_are_better_merged_than_by_others(encoding) -> None:
    """A quarter of the error of averaging and of the maximum; below pyramid and guided filter."""
    ideal, frames = near_and_far(encoding)
    pair = aligned(frames, encoding)
    fused = dense_sift(pair)
    scale = 65535 if encoding == "srgb" else 1
    simple = [np.mean(frames, axis=0) / scale, np.maximum(*frames) / scale]
    assert rms(fused.image, ideal) < 0.25 * min(rms(image, ideal) for image in simple)
    for other in (laplacian_maximum, guided_weights):
        assert rms(fused.image, ideal) < 0.9 * rms(other(pair).image, ideal)
    assert fused.position is not None
    assert (fused.position[:, :118] == 0).all()
    assert (fused.position[:, 138:] == 1).all()


def test_matching_is_better_than_averaging_what_is_undecided() -> None:
    """The paper's refinement, beside its own method without it."""
    ideal, frames = near_and_far()
    with_it, without = (dense_sift(aligned(frames), match=match).image for match in (True, False))
    assert rms(with_it, ideal) < 0.8 * rms(without, ideal)


def test_swapped_frames_give_the_swapped_map() -> None:
    """The order of two frames changes no pixel's choice."""
    _, frames = near_and_far()
    forth, back = (dense_sift(aligned(order)) for order in (frames, frames[::-1]))
    assert forth.position is not None
    assert back.position is not None
    np.testing.assert_allclose(forth.image, back.image, atol=1e-6)
    np.testing.assert_allclose(forth.position, 1 - back.position, atol=1e-6)


@pytest.mark.parametrize("count", [1, 2, 5])
def test_blank_frames_give_a_blank_picture(count) -> None:
    """Where nothing is sharp no value is NaN and the picture is what all frames show."""
    fused = dense_sift(aligned([np.full((40, 50, 3), 20000, np.uint16)] * count))
    np.testing.assert_allclose(fused.image, 20000 / 65535, atol=1e-5)
    assert fused.position is not None
    assert np.isfinite(fused.position).all()
    assert 0 <= fused.position.min() <= fused.position.max() <= count - 1
