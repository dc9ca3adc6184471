"""Pyramids against OpenCV's, and exact where they must be."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stacktruth.runners.methods.fuse.match import _decompose, _laplacian, relative_weight
from stacktruth.runners.methods.picture.pyramid import (
    collapse,
    expand,
    laplacian_pyramid,
    level_count,
    reduce,
)

SHAPES = [(64, 96), (65, 97), (33, 50), (16, 17)]


def picture(shape: tuple[int, ...], seed: int = 0) -> np.ndarray:
    """Return noise in 0..1."""
    return np.random.default_rng(seed).random(shape).astype(np.float32)


@pytest.mark.parametrize("shape", SHAPES)
def test_reduce_is_that_of_opencv(shape) -> None:
    """Kernel 1 4 6 4 1 with mirrored edges is OpenCV's pyrDown."""
    image = picture((*shape, 3))
    np.testing.assert_allclose(reduce(image), cv2.pyrDown(image), atol=1e-6)


@pytest.mark.parametrize("shape", SHAPES)
def test_expand_is_that_of_opencv(shape) -> None:
    """So is pyrUp, to even and to odd sizes."""
    small = picture(((shape[0] + 1) // 2, (shape[1] + 1) // 2, 3))
    theirs = cv2.pyrUp(small, dstsize=shape[::-1])
    np.testing.assert_allclose(expand(small, shape), theirs, atol=1e-6)


@pytest.mark.parametrize("shape", [*SHAPES, (7, 9), (1, 5)])
def test_a_pyramid_collapses_to_its_picture(shape) -> None:
    """Whatever the sizes, to rounding."""
    image = picture((*shape, 3))
    pyramid = laplacian_pyramid(image, 4)
    np.testing.assert_allclose(collapse(pyramid), image, atol=1e-6)


@pytest.mark.parametrize("a", [0.3, 0.375, 0.4, 0.5])
def test_a_constant_stays_constant_for_every_kernel(a) -> None:
    """Reduce and expand keep a flat picture flat (Burt and Adelson 1983: equal contribution)."""
    flat = np.full((33, 50), 0.25, dtype=np.float32)
    np.testing.assert_allclose(reduce(flat, a), 0.25, atol=1e-6)
    np.testing.assert_allclose(expand(reduce(flat, a), flat.shape, a), 0.25, atol=1e-6)


def test_levels_stop_before_the_picture_is_gone() -> None:
    """512 halves to 8 in six steps; a tiny picture has no level."""
    assert level_count((512, 768)) == 6
    assert level_count((9, 9)) == 0


def test_oriented_gradients_make_the_laplacian_up_to_aliasing() -> None:
    """(1 - w)(1 + w)(1 + w w) is the band, so a smooth picture leaves next to nothing over."""
    rows, columns = np.mgrid[:64, :64]
    smooth = np.sin(rows / 9)[..., None] * np.cos(columns / 7)[..., None] * np.ones(3)
    level = _decompose(smooth.astype(np.float32), 1)[0][0]
    inner = np.s_[8:-8, 8:-8]
    band = _laplacian(level.gradients)[inner]
    assert np.abs(level.rest[inner]).max() < 0.02 * np.abs(band).max()


@pytest.mark.parametrize(
    ("match", "weights"), [(1.0, (0.5, 0.5)), (0.925, (0.75, 0.25)), (0.8, (1, 0)), (-1, (1, 0))]
)
def test_match_rules_the_weights(match, weights) -> None:
    """Weights of the rule for two bands: equal when they match, the stronger alone below 0.85.

    The second band is scaled to have the wanted match 2k/(1 + k^2) with the first.
    """
    scale = np.roots([match, -2, match]).real.min() if match > 0 else -1.0
    winner = picture((32, 32))
    salience = np.asarray(cv2.blur(winner**2, (5, 5), borderType=cv2.BORDER_REPLICATE))
    share = relative_weight(scale * winner, winner, salience, 0.85, 5)
    np.testing.assert_allclose(share, weights[1] / weights[0], atol=2e-5)
