"""Slanted edges of known transfer give that transfer back."""

import math

import numpy as np
import pytest
from scipy.special import erf

from stacktruth.metrics.slanted_edge import mtf50_cy_px, slanted_edge
from stacktruth.simulator.transfer import defocus_otf

FREQUENCIES = np.linspace(0.0, 0.5, 26)
MTF50_OF_GAUSSIAN = math.sqrt(math.log(2) / 2) / math.pi  # 0.18739, from exp(-2 pi^2 s^2 f^2) = 1/2


def distances(angle_deg: float, height: int = 100, width: int = 120) -> np.ndarray:
    """Distance of each pixel centre from an edge through the middle, px."""
    angle = math.radians(angle_deg)
    y, x = np.mgrid[:height, :width].astype(float)
    return (x - (width - 1) / 2) * math.cos(angle) + (y - (height - 1) / 2) * math.sin(angle)


def gaussian_edge(sigma_px: float, angle_deg: float = 5.0) -> np.ndarray:
    """Point samples of an edge blurred by a Gaussian, contrast 4:1."""
    return 0.2 + 0.6 * 0.5 * (1 + erf(distances(angle_deg) / (sigma_px * math.sqrt(2))))


def box_edge(angle_deg: float, height: int = 100, width: int = 120, strips: int = 64) -> np.ndarray:
    """Area of each square pixel beyond a sharp edge: exact along rows, 64 strips down."""
    area = np.zeros((height, width))
    for strip in range(strips):
        y = np.arange(height) + (strip + 0.5) / strips - 0.5 - (height - 1) / 2
        edge = (width - 1) / 2 - y * math.tan(math.radians(angle_deg))
        area += np.clip(np.arange(width)[None, :] + 0.5 - edge[:, None], 0, 1) / strips
    return 0.2 + 0.6 * area


@pytest.mark.parametrize("angle_deg", [3.0, 5.0, 7.5, 12.0, 20.0])
@pytest.mark.parametrize("sigma_px", [0.5, 1.0, 2.0])
def test_gaussian_edge(sigma_px: float, angle_deg: float) -> None:
    """MTF50 is 0.18739 / sigma within 1 %, and the whole curve is the Gaussian's."""
    edge = slanted_edge(gaussian_edge(sigma_px, angle_deg))
    assert edge.frequency_of(0.5) == pytest.approx(MTF50_OF_GAUSSIAN / sigma_px, rel=0.01)
    expected = np.exp(-2 * (math.pi * sigma_px * FREQUENCIES) ** 2)
    np.testing.assert_allclose(edge.at(FREQUENCIES), expected, atol=0.01)
    assert edge.angle_deg == pytest.approx(angle_deg, abs=0.01)


@pytest.mark.parametrize("angle_deg", [3.0, 7.5, 11.31, 20.0])
def test_no_angle_loses_accuracy(angle_deg: float) -> None:
    """Also where few phases are sampled (slopes near 1/8, 1/5, 4/11): MTF50 to 0.2 %."""
    got = mtf50_cy_px(gaussian_edge(0.5, angle_deg))
    assert got == pytest.approx(2 * MTF50_OF_GAUSSIAN, rel=0.002)


def test_gaussian_of_one_pixel_by_the_formula() -> None:
    """Transfer 0.29121 at 0.25 cycles per pixel for sigma 1 px, within half a per cent."""
    assert slanted_edge(gaussian_edge(1.0)).at(0.25) == pytest.approx(0.29121, rel=0.005)


@pytest.mark.parametrize("angle_deg", [2.86, 5.0, 7.5])
def test_pixel_box(angle_deg: float) -> None:
    """The square pixel alone has sinc(f): 0.63662 = 2/pi at Nyquist within 1 %."""
    edge = slanted_edge(box_edge(angle_deg))
    assert edge.at(0.5) == pytest.approx(2 / math.pi, rel=0.01)
    np.testing.assert_allclose(edge.at(FREQUENCIES), np.sinc(FREQUENCIES), atol=0.004)


@pytest.mark.parametrize("defocus_waves", [0.0, 0.25, 0.5])
def test_defocused_lens(defocus_waves: float) -> None:
    """The edge that a clear pupil makes returns the pupil's exact transfer function.

    The tails of its line-spread function are long, so the cut-out is wide.
    """
    cut_off = 0.3  # cycles per pixel
    nodes, weights = np.polynomial.legendre.leggauss(400)
    frequency, weight = 0.5 * cut_off * (nodes + 1), 0.5 * cut_off * weights
    otf = defocus_otf(2 * frequency / cut_off, defocus_waves)
    d = distances(5.0, 120, 360)
    grid = np.linspace(d.min(), d.max(), 8001)
    wave = np.sin(2 * np.pi * grid[:, None] * frequency) / (np.pi * frequency)
    image = 0.5 + 0.3 * np.interp(d, grid, wave @ (weight * otf))
    expected = np.abs(defocus_otf(2 * FREQUENCIES / cut_off, defocus_waves))
    np.testing.assert_allclose(slanted_edge(image).at(FREQUENCIES), expected, atol=0.008)


def test_without_the_corrections_the_box_would_be_wrong() -> None:
    """The derivative takes 10 % at Nyquist: (2 pi f/4) / sin(2 pi f/4) = 1.11072 there."""
    from stacktruth.metrics.slanted_edge import _correction

    averaging = np.sinc(np.array([0.25, 0.5]) / 4) ** 2
    np.testing.assert_allclose(
        _correction(np.array([0.25, 0.5])) * averaging, [1.02617, 1.11072], atol=1e-5
    )


def test_every_way_round_gives_the_same() -> None:
    """Mirrored, turned, negative and scaled edges have one MTF50."""
    image = gaussian_edge(1.0)
    expected = mtf50_cy_px(image)
    for other in (image[:, ::-1], image[::-1], image.T, np.rot90(image), 1.0 - image, 1000 * image):
        assert mtf50_cy_px(other) == pytest.approx(expected, rel=1e-3)


def test_noise_moves_mtf50_little() -> None:
    """At a contrast-to-noise ratio of 60 the answer stays within 2 %."""
    noise = 0.01 * np.random.default_rng(1).standard_normal((100, 120))
    got = mtf50_cy_px(gaussian_edge(1.0) + noise)
    assert got == pytest.approx(MTF50_OF_GAUSSIAN, rel=0.02)


def test_edge_spread_goes_from_0_to_1() -> None:
    """The spread function is the error function of the distance."""
    edge = slanted_edge(gaussian_edge(1.5))
    expected = 0.5 * (1 + erf(edge.position_px / (1.5 * math.sqrt(2))))
    np.testing.assert_allclose(edge.spread, expected, atol=0.01)


def test_a_transfer_that_is_never_reached_is_nan() -> None:
    """A box stays above 0.6 up to Nyquist, and nothing falls to a negative value."""
    assert math.isnan(slanted_edge(gaussian_edge(1.0)).frequency_of(-0.1))


@pytest.mark.parametrize(
    ("image", "message"),
    [
        (np.zeros((40, 40, 3)), r"one plane of at least 20 px a side, got shape \(40, 40, 3\)"),
        (np.zeros((10, 40)), r"one plane of at least 20 px a side, got shape \(10, 40\)"),
        (np.full((40, 40), np.nan), "image must be finite"),
        (np.full((40, 40), 0.5), "image must show an edge of a contrast above 0.02"),
        (gaussian_edge(0.5, 26.565), "must not lie at a simple slope"),
        (box_edge(0.0, 40, 40), "edge must stand 1 to 44 degrees .* got 0.00"),
    ],
)
def test_bad_input_is_named(image: np.ndarray, message: str) -> None:
    """What is wrong and what was got."""
    with pytest.raises(ValueError, match=message):
        slanted_edge(image)
