"""The parts that fusions are made of, each against its closed form or another library."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
import pytest
import pywt
from scipy import fft, ndimage, sparse

from stacktruth.ground.srgb import decode_srgb, encode_srgb
from stacktruth.runners.methods.fuse.blocks import block_variance, majority_label
from stacktruth.runners.methods.fuse.labelling import best_labels, grid_energy
from stacktruth.runners.methods.fuse.variational import (
    _divergence,
    _gradient,
    _series,
    minimised,
)
from stacktruth.runners.methods.fuse.wavelet import WAVELET, _inverse, _transform
from stacktruth.runners.methods.picture.complex_wavelet import forward, inverse, low_pass_filter
from stacktruth.runners.methods.picture.guided import GuidedFilter, box
from stacktruth.runners.methods.picture.neighbours import counted_about, largest_about
from stacktruth.runners.methods.picture.tone import like, to_float


def noise(shape: tuple[int, ...], seed: int = 0) -> np.ndarray:
    """Return noise in 0..1."""
    return np.random.default_rng(seed).random(shape).astype(np.float32)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_a_gain_acts_on_linear_light(dtype) -> None:
    """Half the light and twice the gain is the light again, in every type of frame."""
    light = noise((8, 9, 3)) * 0.5
    frame = like(encode_srgb(light / 2), np.dtype(dtype))
    found = decode_srgb(to_float(frame, gain=(2, 2, 2), linear=False))
    np.testing.assert_allclose(found, light, atol={1: 0.01, 2: 1e-4, 4: 1e-5}[frame.itemsize])


def test_guided_filter_of_a_constant_guide_is_two_box_filters() -> None:
    """With no structure in the guide the slope is 0, so what is left is box(box(p))."""
    image = noise((40, 50))
    guide = np.full((40, 50), 0.3, dtype=np.float32)
    found = GuidedFilter(guide, radius=4, epsilon=0.01)(image)
    np.testing.assert_allclose(found, box(box(image, 4), 4), atol=1e-5)


def test_guided_filter_keeps_the_guide_itself_when_epsilon_vanishes() -> None:
    """Guide equal to input, epsilon far below its variance: the input comes back."""
    image = noise((40, 50))
    found = GuidedFilter(image, radius=4, epsilon=1e-7)(image)
    np.testing.assert_allclose(found, image, atol=1e-4)


def test_wavelet_round_trip_is_exact() -> None:
    """The undecimated transform comes back to rounding."""
    plane = noise((64, 96))
    bands = np.stack(list(_transform(plane, WAVELET, 3)))
    np.testing.assert_allclose(_inverse(bands, WAVELET)[:64, :96], plane, atol=2e-6)


def test_wavelet_is_an_orthonormal_one() -> None:
    """Its filter has unit energy (PyWavelets' own table)."""
    assert np.sum(np.square(pywt.Wavelet(WAVELET).dec_lo)) == pytest.approx(1)


def test_complex_filter_is_the_published_one() -> None:
    """Lina and Mayrand 1995, J = 2; their table from memory: 0.662912607 + 0.171163200i."""
    filter_ = np.array(low_pass_filter())
    np.testing.assert_allclose(filter_, filter_[::-1], atol=1e-12)
    expected = [-0.066291261 - 0.085581650j, 0.110485435 - 0.085581650j, 0.662912607 + 0.1711633j]
    np.testing.assert_allclose(filter_[:3], expected, atol=1e-8)


@pytest.mark.parametrize("shift", [0, 2, 4])
def test_complex_filter_is_orthogonal_to_its_even_shifts(shift) -> None:
    """So that the transform is unitary."""
    taps = np.array(low_pass_filter())
    product = np.sum(taps[shift:] * np.conj(taps[: 6 - shift]))
    assert product == pytest.approx(1.0 if shift == 0 else 0.0, abs=1e-12)


def test_complex_filter_has_three_vanishing_moments() -> None:
    """A quadratic leaves no detail."""
    taps = np.array(low_pass_filter())
    high = np.conj(taps[::-1]) * (-1.0) ** np.arange(6)
    moments = [np.sum(np.conj(high) * np.arange(6.0) ** power) for power in range(3)]
    np.testing.assert_allclose(moments, 0, atol=1e-10)


def test_complex_wavelet_round_trip_keeps_picture_and_energy() -> None:
    """Exact to rounding, and unitary."""
    image = noise((64, 96))
    transform = forward(image, 4)
    np.testing.assert_allclose(inverse(transform), image, atol=2e-6)
    parts = [transform.approximation, *itertools.chain.from_iterable(transform.details)]
    energy = sum(float(np.sum(np.abs(part) ** 2)) for part in parts)
    assert energy == pytest.approx(float(np.sum(image**2)), rel=1e-5)


def test_block_variance_is_that_of_the_cosine_transform() -> None:
    """Haghighat 2011: the squared coefficients of an orthonormal DCT but the first, over 64."""
    image = noise((24, 32))
    blocks = image.reshape(3, 8, 4, 8).swapaxes(1, 2)
    squared = fft.dctn(blocks, axes=(2, 3), norm="ortho") ** 2
    expected = (squared.sum(axis=(2, 3)) - squared[:, :, 0, 0]) / 64
    np.testing.assert_allclose(block_variance(image), expected, rtol=1e-4)


def test_a_block_outvoted_by_its_neighbours_goes_with_them() -> None:
    """A lone label vanishes; in a tie a place keeps its own; a straight border stays."""
    label = np.zeros((9, 9), dtype=np.int16)
    label[4, 4] = 2
    assert (majority_label(label, 3, 3) == 0).all()
    label[:, 5:] = 2
    label[4, 4] = 0
    np.testing.assert_array_equal(majority_label(label, 3, 3), label)


def test_majority_of_two_labels_is_the_median() -> None:
    """For two labels the vote is OpenCV's median filter."""
    label = (noise((30, 40)) > 0.5).astype(np.int16)
    theirs = cv2.medianBlur(label.astype(np.uint8), 3)
    np.testing.assert_array_equal(majority_label(label, 2, 3), theirs)


@pytest.mark.parametrize("shape", [(30, 40), (2, 9), (1, 1)])
@pytest.mark.parametrize("side", [1, 3, 7])
def test_squares_about_pixels_are_those_of_scipy(shape, side) -> None:
    """The largest value, and the count of marks with the edge continued: to the last bit."""
    plane = noise(shape)
    largest = ndimage.maximum_filter(plane, side, mode="nearest")
    np.testing.assert_array_equal(largest_about(plane, side), largest)
    marks = plane > 0.6
    counts = ndimage.convolve(marks.astype(int), np.ones((side, side), int), mode="nearest")
    np.testing.assert_array_equal(counted_about(marks, side), counts)


def test_a_square_about_a_pixel_has_a_middle() -> None:
    """An even side is refused."""
    with pytest.raises(ValueError, match="side: got 4, allowed odd numbers from 1"):
        largest_about(noise((3, 3)), 4)


def _random_problem(shape, count, seed):
    rng = np.random.default_rng(seed)
    unary = rng.random((*shape, count)).astype(np.float32)
    half = rng.random((*shape, count, count)).astype(np.float32) * 0.4
    mismatch = half + half.swapaxes(2, 3)
    mismatch[..., range(count), range(count)] = 0
    return unary, mismatch


@pytest.mark.parametrize("seed", range(5))
def test_labels_of_a_row_are_the_best_there_are(seed) -> None:
    """On a chain message passing is exact: compared with all 3^7 labellings."""
    unary, mismatch = _random_problem((1, 7), 3, seed)
    everything = (
        np.array(labels, dtype=np.int16)[None] for labels in itertools.product(range(3), repeat=7)
    )
    least = min(grid_energy(labels, unary, mismatch) for labels in everything)
    found = grid_energy(best_labels(unary, mismatch), unary, mismatch)
    assert found == pytest.approx(least, abs=1e-5)


def _cut_value(unary: np.ndarray, weight: np.ndarray) -> float:
    """Return the least energy of a two-label grid with Potts weights, by SciPy's maximum flow."""
    scale = 10_000
    rows, columns = unary.shape[:2]
    node = np.arange(rows * columns).reshape(rows, columns)
    source, sink = node.size, node.size + 1
    first = np.concatenate([node[:, :-1].ravel(), node[:-1].ravel()])
    second = np.concatenate([node[:, 1:].ravel(), node[1:].ravel()])
    pair = np.concatenate(
        [(weight[:, :-1] + weight[:, 1:]).ravel(), (weight[:-1] + weight[1:]).ravel()]
    )
    start = np.concatenate([first, second, np.full(node.size, source), node.ravel()])
    end = np.concatenate([second, first, node.ravel(), np.full(node.size, sink)])
    capacity = np.concatenate([pair, pair, unary[..., 1].ravel(), unary[..., 0].ravel()])
    graph = sparse.csr_array(
        (np.rint(capacity * scale).astype(np.int32), (start, end)), shape=(sink + 1, sink + 1)
    )
    return sparse.csgraph.maximum_flow(graph, source, sink).flow_value / scale


@pytest.mark.parametrize("seed", range(3))
def test_labels_of_two_frames_come_within_a_thousandth_of_the_graph_cut(seed) -> None:
    """With two labels the least energy is a minimum cut, which SciPy finds exactly."""
    rng = np.random.default_rng(seed)
    unary = rng.random((20, 30, 2)).astype(np.float32)
    weight = (rng.random((20, 30)) * 0.2).astype(np.float32)
    mismatch = weight[..., None, None] * (1 - np.eye(2, dtype=np.float32))
    least = _cut_value(unary, weight)
    labels = best_labels(unary, mismatch, iterations=30)
    assert least - 0.05 <= grid_energy(labels, unary, mismatch) <= least * 1.001
    plain = np.argmin(unary, axis=2).astype(np.int16)
    assert grid_energy(plain, unary, mismatch) > 1.1 * least


def test_series_is_that_of_numpy() -> None:
    """Legendre series per place, against numpy.polynomial."""
    terms, at = noise((7, 5, 6)) - 0.5, 2 * noise((5, 6), 1) - 1
    expected = [
        np.polynomial.legendre.legval(at[i, j], terms[:, i, j]) for i, j in np.ndindex(5, 6)
    ]
    np.testing.assert_allclose(_series(terms, at).ravel(), expected, atol=1e-5)


def test_divergence_is_minus_the_adjoint_of_the_gradient() -> None:
    """<grad u, p> = -<u, div p>."""
    field, pair = noise((12, 9)), noise((2, 12, 9), 1)
    forth = float(np.sum(_gradient(field) * pair))
    assert forth == pytest.approx(-float(np.sum(field * _divergence(pair))), rel=1e-5)


def test_total_variation_of_a_noisy_step_is_that_of_scikit_image() -> None:
    """With the data term (u - f)^2/2 the minimum is the ROF model's, which is convex."""
    from skimage.restoration import denoise_tv_chambolle

    rng = np.random.default_rng(3)
    step = np.where(np.arange(48) < 24, -0.4, 0.4)[None, :] + rng.normal(0, 0.15, (32, 48))
    start = step.astype(np.float32)
    ours = minimised(lambda depth: start - depth, start, 0.15, iterations=400)
    theirs = denoise_tv_chambolle(step, weight=0.15, eps=1e-9, max_num_iter=3000)
    np.testing.assert_allclose(ours, theirs, atol=0.01)
    assert ndimage.laplace(ours[:, 4:20]).std() < 0.2 * ndimage.laplace(step[:, 4:20]).std()
