"""Whether a picture lies where it should: what is refused, and what must not be."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from skimage import data

from stacktruth.runners.judge.agreement import agreement, apart_px, detail, misplaced

PICTURE = (data.astronaut()[100:300, 100:400] / np.float32(255)).astype(np.float32)
ALL = np.ones(PICTURE.shape[:2], bool)


def test_a_picture_agrees_with_itself_and_not_with_another() -> None:
    """1 for itself whatever its exposure; next to nothing for another place of the same photo."""
    assert agreement(PICTURE, PICTURE, ALL) == pytest.approx(1.0)
    assert agreement(0.5 * PICTURE + 0.1, PICTURE, ALL) == pytest.approx(1.0)
    assert abs(agreement(PICTURE[::-1], PICTURE, ALL)) < 0.1
    assert agreement(np.full_like(PICTURE, 0.5), PICTURE, ALL) == 0.0


@pytest.mark.parametrize("shift", [(20, 0), (-14, 24), (0, -40)])
def test_a_picture_that_lies_elsewhere_is_refused_with_the_place(shift: tuple[int, int]) -> None:
    """Beyond a twentieth of the shorter side, which is 10 px here."""
    moved = ndimage.shift(PICTURE, (*shift, 0), order=0)
    told = misplaced(moved, PICTURE, ALL)
    assert f" px away ({shift[1]:+.0f} px across, {shift[0]:+.0f}" in told


@pytest.mark.parametrize("sigma", [0, 1, 3, 6])
def test_blur_noise_and_exposure_are_no_reason_to_refuse(sigma: float) -> None:
    """A merge may be poor and is still in its place."""
    rng = np.random.default_rng(0)
    poor = ndimage.gaussian_filter(PICTURE, (sigma, sigma, 0))
    poor = np.clip(0.6 * poor + 0.03 * rng.standard_normal(poor.shape), 0, 1).astype(np.float32)
    assert misplaced(poor, PICTURE, ALL) == ""


def test_where_nothing_is_sharp_nothing_is_refused() -> None:
    """In a view without detail a merge is noise beside noise: no place can be told."""
    faint = ndimage.gaussian_filter(PICTURE, (25, 25, 0))
    rng = np.random.default_rng(1)
    for _ in range(5):
        noisy = faint + 0.01 * rng.standard_normal(faint.shape).astype(np.float32)
        for side in (200, 60):  # the smaller, the more alike is the best of many places by chance
            part = slice(side)
            assert misplaced(noisy[part, part], faint[part, part], ALL[part, part]) == ""


def test_points_apart_are_measured() -> None:
    """A tenth and three tenths of a pixel, by an interpolation that is not ours; none is none."""
    plane = detail(PICTURE.mean(axis=2))
    slopes = np.gradient(plane)
    for px in (0.0, 0.1, 0.3):
        moved = ndimage.shift(plane, (0, px), order=5, mode="nearest")
        apart = apart_px(moved - plane, (slopes[0], slopes[1]), ALL)
        assert apart == pytest.approx(px, rel=0.1, abs=0.003)
