"""Pictures to score."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from skimage import data

Picture = Callable[..., np.ndarray]


@pytest.fixture(scope="session")
def picture() -> Picture:
    """Make a random coloured picture 0..1 with detail at all scales, the same for a seed."""

    def make(seed: int, height: int = 48, width: int = 64) -> np.ndarray:
        rng = np.random.default_rng(seed)
        octaves = [
            gaussian_filter(rng.standard_normal((height, width, 3)), (sigma, sigma, 0)) * sigma
            for sigma in (0.7, 1.5, 4.0, 9.0)
        ]
        return (0.5 + 0.12 * sum(octaves)).clip(0.02, 0.98).astype(np.float32)

    return make


@pytest.fixture(scope="session")
def coffee() -> np.ndarray:
    """Give a photograph, 400 x 600, sRGB-encoded 0..1 (shipped by scikit-image, CC0)."""
    return data.coffee().astype(np.float32) / 255


@pytest.fixture(scope="session")
def blurred() -> Picture:
    """Blur a picture by a Gaussian of so many pixels."""

    def blur(image: np.ndarray, sigma_px: float) -> np.ndarray:
        return gaussian_filter(image, (sigma_px, sigma_px) + (0,) * (image.ndim - 2))

    return blur
