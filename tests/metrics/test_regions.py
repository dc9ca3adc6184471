"""Where to score."""

import numpy as np
import pytest

from stacktruth.metrics.image import regions


def test_texture_and_flat_ground_are_told_apart() -> None:
    """A checked half is textured, a slowly shaded half smooth, none is both."""
    height, width = 80, 160
    ideal = np.tile(np.linspace(0.3, 0.6, width), (height, 1))
    ideal[:, :80] += 0.05 * (np.indices((height, 80)).sum(axis=0) % 2)
    textured, smooth = regions.textured_and_smooth(ideal, data_range=1.0)
    assert textured[:, :70].all()
    assert smooth[:, 100:].all()
    assert not (textured & smooth).any()


def test_contrast_is_the_rms_asked_for() -> None:
    """Noise above the contrast is textured, below half of it smooth, between them neither."""
    noise = np.random.default_rng(1).standard_normal((120, 160))
    for level, expected in ((0.015, (1, 0)), (0.0075, (0, 0)), (0.004, (0, 1))):
        split = regions.textured_and_smooth(0.5 + level * noise, data_range=1.0, contrast=0.01)
        assert [round(float(mask.mean()), 1) for mask in split] == list(expected)


def test_pixels_outside_the_mask_are_in_neither() -> None:
    """The mask limits both."""
    mask = np.zeros((40, 50), dtype=bool)
    mask[:10] = True
    textured, smooth = regions.textured_and_smooth(np.ones((40, 50)), data_range=1.0, mask=mask)
    assert not textured.any()
    np.testing.assert_array_equal(smooth, mask)


def test_masks_cut_to_a_limit() -> None:
    """Every mask is cut, and its share follows."""
    limit = np.zeros((4, 6), dtype=bool)
    limit[:2] = True
    cut = regions.within({"all": np.ones((4, 6), bool)}, limit)
    assert regions.shares(cut) == {"all": 0.5}


def test_a_contrast_of_zero_is_refused() -> None:
    """There must be a threshold."""
    with pytest.raises(ValueError, match="contrast must be positive, got 0"):
        regions.textured_and_smooth(np.ones((4, 6)), data_range=1.0, contrast=0)
