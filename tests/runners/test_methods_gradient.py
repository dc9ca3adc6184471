"""The weighted gradient fusion, in the terms of its paper, and the solver it stands on."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage, sparse
from scipy.sparse import linalg
from skimage.feature import structure_tensor, structure_tensor_eigenvalues

from stacktruth.runners.methods.fuse.guided import guided_weights
from stacktruth.runners.methods.fuse.laplacian import laplacian_maximum
from stacktruth.runners.methods.fuse.weighted_gradient import (
    held_within,
    largest_structure,
    principal_gradient,
    structure_saliency,
    tensor_eigenvalues,
    weighted_gradient,
)
from stacktruth.runners.methods.picture.poisson import (
    divergence,
    forward_gradient,
    from_gradient,
)
from tests.runners.near_far import aligned, near_and_far, rms


def noise(shape: tuple[int, ...], seed: int = 0) -> np.ndarray:
    """Return noise in 0..1."""
    return np.random.default_rng(seed).random(shape).astype(np.float32)


def test_eigenvalues_are_those_of_scikit_image() -> None:
    """Its structure_tensor takes Sobel's sums, 8 a pixel, so its values are 64 times as large."""
    grey = ndimage.gaussian_filter(noise((40, 50)), 1)
    theirs = structure_tensor_eigenvalues(
        structure_tensor(grey.astype(float), sigma=2.0, mode="nearest")
    )
    for ours, reference in zip(tensor_eigenvalues(grey, 2.0), theirs, strict=True):
        # Its Gaussian is cut at four sigmas, ours at three, where 0.3 % of the weight is left.
        np.testing.assert_allclose(64 * ours, reference, atol=0.003 * theirs.max())


def test_saliency_of_an_edge_and_of_a_corner_by_hand() -> None:
    """An edge of slope g has roots g and 0: g sqrt(1.5); as strong both ways: 2 g (paper)."""
    y, x = np.mgrid[:160, :160].astype(np.float32)
    edge = structure_saliency(0.01 * x, 2.0)[80, 80]
    assert edge == pytest.approx(0.01 * np.sqrt(1.5), rel=1e-4)
    # Waves across both ways: on the mean over periods both eigenvalues are a^2 k^2 / 2.
    k = np.pi / 10
    waves = (0.1 * (np.sin(k * x) + np.sin(k * y))).astype(np.float32)
    step = np.sin(k)  # Sobel's central difference of a wave, beside k
    both = structure_saliency(waves, 20.0)[80, 80]
    assert both == pytest.approx(2 * 0.1 * step / np.sqrt(2), rel=0.01)


def test_principal_gradient_is_numpys_eigenvector() -> None:
    """Root of the largest eigenvalue times its vector, on the side of the mean gradient."""
    rng = np.random.default_rng(4)
    gradients = rng.normal(size=(5, 3, 2)).astype(np.float32)
    weights = rng.dirichlet(np.ones(3), 5).astype(np.float32)
    tensor = np.einsum("pk,pki,pkj->pij", weights, gradients, gradients)
    mean = np.einsum("pk,pki->pi", weights, gradients)
    found = principal_gradient(
        tensor[:, 0, 0], tensor[:, 1, 1], tensor[:, 0, 1], mean[:, 0], mean[:, 1]
    )
    for place, (value, vector) in enumerate(zip(*np.linalg.eigh(tensor), strict=True)):
        expected = np.sqrt(value[1]) * vector[:, 1]
        expected *= np.sign(expected @ mean[place])
        np.testing.assert_allclose([part[place] for part in found], expected, atol=1e-5)


def test_equal_gradients_come_back() -> None:
    """What all frames show is what the result shows, whatever the weights."""
    down, across = noise((6, 7), 1) - 0.5, noise((6, 7), 2) - 0.5
    found = principal_gradient(down * down, across * across, down * across, down, across)
    np.testing.assert_allclose(found, (down, across), atol=1e-6)


def test_divergence_is_minus_the_transpose_of_the_gradient() -> None:
    """<gradient u, v> = -<u, divergence v> for any u and v."""
    u, down, across = (noise((9, 7), seed) for seed in range(3))
    has_down, has_across = forward_gradient(u)
    left = np.sum(has_down * down + has_across * across)
    assert left == pytest.approx(-np.sum(u * divergence(down, across)), abs=1e-5)


@pytest.mark.parametrize("pull", [0.01, 1.0])
def test_poisson_is_a_direct_solve(pull) -> None:
    """(D'D + pull) u = D'g + pull anchor, its matrices built by Kronecker products and factored."""
    rows, columns = 13, 18
    down, across, anchor = (noise((rows, columns), seed) for seed in range(3))
    down[-1], across[:, -1] = 0, 0
    steps = [sparse.diags([-1.0, 1.0], [0, 1], shape=(n - 1, n)) for n in (rows, columns)]
    d_down = sparse.kron(steps[0], sparse.eye(columns))
    d_across = sparse.kron(sparse.eye(rows), steps[1])
    matrix = d_down.T @ d_down + d_across.T @ d_across + pull * sparse.eye(rows * columns)
    wanted = d_down.T @ down[:-1].ravel() + d_across.T @ across[:, :-1].ravel()
    expected = linalg.spsolve(matrix.tocsc(), wanted + pull * anchor.ravel())
    found = from_gradient(down, across, anchor, pull=pull)
    np.testing.assert_allclose(found.ravel(), expected, atol=1e-5)


def test_without_a_pull_a_picture_is_found_but_for_its_mean() -> None:
    """From its own gradient and a flat anchor: the picture, with the mean of the anchor."""
    picture = noise((31, 22))
    found = from_gradient(*forward_gradient(picture), np.full_like(picture, 0.25))
    np.testing.assert_allclose(found, picture - picture.mean() + 0.25, atol=2e-5)


def test_a_border_between_regions_is_as_wide_as_the_margin() -> None:
    """By hand: frame 0 left of column 10, frame 1 from there on; margin 3."""
    winner = np.repeat((np.arange(20) >= 10)[None], 9, axis=0).astype(np.int16)
    both = held_within(winner, 0, 3) & held_within(winner, 1, 3)
    assert set(np.flatnonzero(both[4])) == set(range(7, 13))


@pytest.mark.parametrize("encoding", ["srgb", "linear"])
def test_a_near_and_a_far_frame_are_better_merged_than_by_others(encoding) -> None:
    """A quarter of the error of averaging and of the maximum; below the pyramid's."""
    ideal, frames = near_and_far(encoding)
    pair = aligned(frames, encoding)
    fused = weighted_gradient(pair)
    scale = 65535 if encoding == "srgb" else 1
    simple = [np.mean(frames, axis=0) / scale, np.maximum(*frames) / scale]
    assert rms(fused.image, ideal) < 0.25 * min(rms(image, ideal) for image in simple)
    assert rms(fused.image, ideal) < 0.8 * rms(laplacian_maximum(pair).image, ideal)
    assert rms(fused.image, ideal) < 1.1 * rms(guided_weights(pair).image, ideal)
    assert fused.position is not None
    assert np.mean((fused.position > 0.5)[:, :120]) < 0.01
    assert np.mean((fused.position > 0.5)[:, 136:]) > 0.99


def test_the_large_scale_finds_regions_that_the_small_scale_loses() -> None:
    """What the paper has two scales for: in noise the small one alone names the wrong frame."""
    ideal, frames = near_and_far()
    rng = np.random.default_rng(5)
    noisy = [
        np.clip(frame + rng.normal(0, 2500, ideal.shape), 0, 65535).astype(np.uint16)
        for frame in frames
    ]
    truth = (np.arange(256) >= 128)[None]
    wrong = [np.mean(largest_structure(aligned(noisy), sigma) != truth) for sigma in (4.0, 0.5)]
    assert wrong[0] < 0.3 * wrong[1]


def test_swapped_frames_give_the_swapped_map() -> None:
    """The order of two frames changes nothing but the map's sign."""
    _, frames = near_and_far()
    forth, back = (weighted_gradient(aligned(order)) for order in (frames, frames[::-1]))
    assert forth.position is not None
    assert back.position is not None
    np.testing.assert_allclose(forth.image, back.image, atol=1e-4)
    np.testing.assert_allclose(forth.position, 1 - back.position, atol=1e-4)


@pytest.mark.parametrize("count", [1, 2, 5])
def test_blank_frames_give_a_blank_picture(count) -> None:
    """Where nothing is sharp no value is NaN and the picture is what all frames show."""
    fused = weighted_gradient(aligned([np.full((40, 50, 3), 20000, np.uint16)] * count))
    np.testing.assert_allclose(fused.image, 20000 / 65535, atol=1e-5)
    assert fused.position is not None
    assert np.isfinite(fused.position).all()
