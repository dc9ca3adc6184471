"""Focus measures against the printed formula, taken literally in one window, and other libraries.

Formulas: Pertuz, Puig and Garcia, Pattern Recognition 46, 1415 (2013), appendix A.
"""

import math

import numpy as np
import pytest
from scipy import fft, ndimage
from skimage import measure as skimage_measure

from stacktruth.metrics.focus import MEASURES
from stacktruth.metrics.focus.curvelet import _low_pass, spectral_windows
from stacktruth.metrics.focus.filters import COLUMNS, ROWS
from stacktruth.metrics.focus.wavelet import DB6, DB6_HIGH, approximation, details

CENTRE = (20, 22)


@pytest.fixture(name="image")
def grey_image():
    """Return a grey texture with coarse and fine parts."""
    noise = np.random.default_rng(11).normal(0.0, 1.0, (41, 45))
    return 0.5 + 0.1 * noise + 0.3 * ndimage.gaussian_filter(noise, 1.5)


def window_at(array, size, centre=CENTRE):
    """Square of `size` pixels round the centre; even squares reach one further back."""
    row, column = centre[0] - size // 2, centre[1] - size // 2
    return array[row : row + size, column : column + size]


def value(code, image, window=9, **options):
    """Focus measure at the centre pixel."""
    return MEASURES[code](image, window=window, **options)[CENTRE]


def test_sobel_and_laplacian_agree_with_scipy(image):
    """GRA6, GRA7, LAP1 and LAP4 are the moments of scipy's derivatives in the window."""
    gradient = np.hypot(ndimage.sobel(image, 0), ndimage.sobel(image, 1))
    curvature = ndimage.laplace(image)
    assert value("gra6", image) == pytest.approx(np.mean(window_at(gradient, 9) ** 2))
    assert value("gra7", image) == pytest.approx(np.var(window_at(gradient, 9)))
    assert value("lap1", image) == pytest.approx(np.mean(window_at(curvature, 9) ** 2))
    assert value("lap4", image) == pytest.approx(np.var(window_at(curvature, 9)))


def test_gradients_run_along_the_axes_they_name(image):
    """GRA3 and GRA4 look along rows only; GRA2 along both."""
    right, down = np.diff(image, axis=1), np.diff(image, axis=0)
    assert value("gra3", image) == pytest.approx(np.abs(window_at(right, 9)).mean())
    assert value("gra4", image) == pytest.approx(np.mean(window_at(right, 9) ** 2))
    both = np.mean(window_at(right, 9) ** 2) + np.mean(window_at(down, 9) ** 2)
    assert value("gra2", image) == pytest.approx(both)
    stripes = np.tile([[0.2], [0.8]], (20, 40))
    assert MEASURES["gra3"](stripes).max() == 0.0
    assert MEASURES["mis2"](stripes.T[:, ::2]).min() == 0.0


def test_thresholds_drop_small_values(image):
    """GRA3, GRA5 and LAP2 count only values from the threshold on."""
    right = np.abs(window_at(np.diff(image, axis=1), 9))
    kept = np.where(right >= 0.1, right, 0.0).mean()
    assert value("gra3", image, threshold=0.1) == pytest.approx(kept)
    assert 0.0 < value("lap2", image, threshold=0.3) < value("lap2", image)
    assert 0.0 < value("gra5", image, threshold=1.0) < value("gra5", image)


def test_modified_laplacians_take_each_direction_by_itself(image):
    """LAP2 and LAP3 from their masks, by scipy; a step widens the mask."""
    line = np.array([[-1.0, 2.0, -1.0]])
    slant = np.diag([1.0, -2.0, 1.0]) / math.sqrt(2.0)
    axes = sum(np.abs(ndimage.correlate(image, k)) for k in (line, line.T))
    slants = sum(np.abs(ndimage.correlate(image, k)) for k in (slant, slant[::-1]))
    assert value("lap2", image) == pytest.approx(window_at(axes, 9).mean())
    assert value("lap3", image) == pytest.approx(window_at(axes + slants, 9).mean())
    wide = np.array([[-1.0, 0.0, 2.0, 0.0, -1.0]])
    axes = sum(np.abs(ndimage.correlate(image, k)) for k in (wide, wide.T))
    assert value("lap2", image, step=2) == pytest.approx(window_at(axes, 9).mean())


def test_measures_over_frames_look_one_frame_either_way(image):
    """LAP5 averages LAP2 of three frames; GRA5 is the length of scipy's 3-D Sobel gradient."""
    frames = np.stack([image, image[::-1], image[:, ::-1], image.T[:41, :41].repeat(2, 1)[:, :45]])
    flat = MEASURES["lap2"](frames, window=5)
    expected = (flat[0] + flat[1] + flat[2]) / 3.0
    np.testing.assert_allclose(MEASURES["lap5"](frames, window=5)[1], expected)
    length = np.sqrt(sum(ndimage.sobel(frames, axis, mode="nearest") ** 2 for axis in range(3)))
    expected = ndimage.uniform_filter(length[2], 5, mode="nearest")
    np.testing.assert_allclose(MEASURES["gra5"](frames, window=5)[2], expected)


def test_gaussian_derivatives_have_a_fifth_of_the_window(image):
    """GRA1 and MIS7 by default; another sigma on request."""
    down, right = (ndimage.gaussian_filter(image, 1.8, order) for order in ((1, 0), (0, 1)))
    assert value("gra1", image) == pytest.approx(window_at(down**2 + right**2, 9).mean())
    assert value("gra1", image, sigma=1.8) == value("gra1", image)
    angles = np.deg2rad(np.arange(0, 360, 45))[:, None, None]
    steered = np.max(np.cos(angles) * right + np.sin(angles) * down, axis=0)
    assert value("mis7", image) == pytest.approx(window_at(steered, 9).mean())


def test_daubechies_filter_meets_the_conditions_that_determine_it():
    """Orthonormal shifts, six vanishing moments, extremal phase: only db6 has them all."""
    for shift in range(6):
        expected = 1.0 if shift == 0 else 0.0
        assert DB6[2 * shift :] @ DB6[: 12 - 2 * shift] == pytest.approx(expected, abs=1e-11)
    for moment in range(6):
        scale = np.abs(np.arange(12.0) ** moment * DB6_HIGH).sum()
        assert np.arange(12.0) ** moment @ DB6_HIGH == pytest.approx(0.0, abs=1e-10 * scale)
    roots = np.roots(DB6)
    others = roots[np.abs(roots + 1.0) > 0.1]
    assert len(others) == 5
    assert (np.abs(others) < 1.0).all()


def test_wavelet_bands_are_scipy_correlations(image):
    """WAV1 to WAV3 from bands worked out with scipy, up to where the taps are centred."""
    padded = np.pad(image, 100, mode="edge")
    low, high = (ndimage.correlate1d(padded, taps, axis=0) for taps in (DB6, DB6_HIGH))
    band = ndimage.correlate1d(high, DB6_HIGH, axis=1)
    ours = details(image[None])[2][0]
    # scipy centres 12 taps on the seventh, ours sit on their centre of energy: the third for the
    # smooth filter, the tenth for the other.
    np.testing.assert_allclose(ours, band[97:138, 97:142], atol=1e-12)
    horizontal = ndimage.correlate1d(low, DB6_HIGH, axis=1)
    np.testing.assert_allclose(details(image[None])[0][0], horizontal[104:145, 97:142], atol=1e-12)
    bands = [b[0] for b in details(image[None])]
    absolute = sum(window_at(np.abs(b), 9).mean() for b in bands)
    assert value("wav1", image) == pytest.approx(absolute)
    assert value("wav2", image) == pytest.approx(sum(window_at(b, 9).var() for b in bands))
    smooth = approximation(image[None], 3)[0]
    energy = sum(window_at(b**2, 9).mean() for b in bands)
    assert value("wav3", image) == pytest.approx(energy / window_at(smooth**2, 9).mean())


def test_wavelet_levels_keep_energy():
    """On a periodic image the four bands of level 1 hold four times its energy."""
    image = np.random.default_rng(0).normal(size=(64, 64))
    bands = [
        ndimage.correlate1d(ndimage.correlate1d(image, a, axis=0, mode="wrap"), b, mode="wrap")
        for a in (DB6, DB6_HIGH)
        for b in (DB6, DB6_HIGH)
    ]
    assert sum(np.sum(b**2) for b in bands) == pytest.approx(4.0 * np.sum(image**2))
    assert approximation(np.ones((1, 30, 30)), 3)[0, 15, 15] == pytest.approx(8.0)


def test_curvelet_windows_share_out_the_spectrum():
    """The squares over scales and directions are what lies between two low-passes; none is void."""
    size = (48, 60)
    scales = spectral_windows(size, 8, 2)
    total = sum(window.astype(float) ** 2 for windows in scales for window in windows)
    down, right = fft.fftfreq(48)[:, None], fft.rfftfreq(60)[None, :]
    expected = _low_pass(down, right, 0.5) ** 2 - _low_pass(down, right, 0.125) ** 2
    np.testing.assert_allclose(total, expected, atol=1e-6)
    assert all(window.max() > 0.8 for windows in scales for window in windows)


def test_chebyshev_moments_match_their_definition(image):
    """STA1: energy of the moments past order 2 over that up to it, on an orthonormal basis."""
    patch = window_at(image, 9)
    points = np.vander(np.arange(9.0), 9, increasing=True)
    basis = np.linalg.qr(points)[0]
    moments = basis.T @ patch @ basis
    low = np.add.outer(np.arange(9), np.arange(9)) <= 2
    expected = math.sqrt(np.sum(moments[~low] ** 2) / np.sum(moments[low] ** 2))
    assert value("sta1", image) == pytest.approx(expected)


@pytest.mark.parametrize("window", [5, 9])
def test_eigenvalues_match_singular_values(image, window):
    """STA2: the five largest squared singular values of the normalised window, over n - 1."""
    patch = window_at(image, window)
    normalised = patch / np.sqrt(np.sum(patch**2))
    singular = np.linalg.svd(normalised - normalised.mean(), compute_uv=False)
    expected = np.sum(singular[:5] ** 2) / (window**2 - 1)
    assert value("sta2", image, window) == pytest.approx(expected)


def test_eigenvalues_of_one_pixel_in_three(image):
    """STA2 with `every` has the values of the full map where it looks, repeated in between."""
    whole, coarse = MEASURES["sta2"](image), MEASURES["sta2"](image, every=3)
    np.testing.assert_allclose(coarse[::3, ::3], whole[::3, ::3])
    assert coarse.shape == whole.shape


def test_window_statistics_match_numpy(image):
    """STA3 to STA6 and STA8 against numpy in the window."""
    patch = window_at(image, 9)
    assert value("sta3", image) == pytest.approx(patch.var())
    assert value("sta5", image) == pytest.approx(patch.var() / patch.mean())
    assert value("sta8", image) == pytest.approx(np.ptp(patch))
    local = ndimage.generic_filter(image, np.var, 9, mode="nearest")
    assert value("sta4", image) == pytest.approx(window_at(local, 9).var())
    mean = ndimage.generic_filter(image, np.mean, 9, mode="nearest")
    assert value("sta6", image) == pytest.approx(np.mean(window_at(image - mean, 9) ** 2))


@pytest.mark.parametrize("levels", [16, 256])
def test_entropy_matches_scikit_image(image, levels):
    """STA7 is scikit-image's Shannon entropy of the quantised window, in bits."""
    bins = np.round(np.clip(image, 0.0, 1.0) * (levels - 1)).astype(int)
    expected = skimage_measure.shannon_entropy(window_at(bins, 9))
    assert value("sta7", image, levels=levels) == pytest.approx(expected)


def test_cosine_blocks_match_scipy(image):
    """DCT1 and DCT2 from scipy's orthonormal transform of the 8 x 8 block; DCT3 from its mask."""
    block = fft.dctn(window_at(image, 8), norm="ortho")
    constant = block[0, 0] ** 2
    assert value("dct1", image, 1) == pytest.approx((np.sum(block**2) - constant) / constant)
    reduced = sum(block[i, j] ** 2 for i, j in ((0, 1), (1, 0), (2, 0), (1, 1), (0, 2)))
    assert value("dct2", image, 1) == pytest.approx(reduced / constant)
    mask = np.kron([[1, -1], [-1, 1]], np.ones((2, 2)))
    assert value("dct3", image, 1) == pytest.approx(abs(np.sum(mask * window_at(image, 4))))


def test_miscellaneous_measures_match_their_definitions(image):
    """MIS1, MIS2, MIS3, MIS5, MIS8 and MIS9, pixel by pixel."""
    patch = window_at(image, 9)
    assert value("mis1", image) == pytest.approx(np.abs(patch - patch.mean()).mean())
    brenner = (image[:, 2:] - image[:, :-2]) ** 2
    assert value("mis2", image) == pytest.approx(window_at(brenner, 9).mean())
    contrast = np.abs(window_at(image, 3) - image[CENTRE]).sum()
    assert value("mis3", image, 1) == pytest.approx(contrast)
    mean = ndimage.uniform_filter(image, 9, mode="nearest")
    ratios = np.maximum(mean / image, image / mean)
    assert value("mis5", image) == pytest.approx(window_at(ratios, 9).mean())
    energy = window_at(np.diff(image, axis=1), 9) ** 2 + window_at(np.diff(image, axis=0), 9) ** 2
    assert value("mis8", image) == pytest.approx(math.sqrt(energy.mean()))
    vollath = image[:, :-2] * image[:, 1:-1] - image[:, :-2] * image[:, 2:]
    assert value("mis9", image) == pytest.approx(window_at(vollath, 9).mean())


def test_curvature_is_the_least_squares_quadric(image):
    """MIS4: c0 x + c1 y + c2 x^2 + c3 y^2 fitted to 3 x 3 pixels by numpy gives the same terms."""
    y, x = (axis.ravel().astype(float) for axis in np.mgrid[-1:2, -1:2])
    terms = np.stack([x, y, x**2, y**2], axis=1)
    fitted = np.linalg.lstsq(terms, window_at(image, 3).ravel(), rcond=None)[0]
    assert value("mis4", image, 1) == pytest.approx(np.abs(fitted).sum())


def test_binary_pattern_counts_points_on_a_ring(image):
    """MIS6: points two pixels away, by scipy's linear interpolation, that are no darker."""
    count = np.zeros(image.shape)
    rows, columns = np.indices(image.shape)
    for angle in np.arange(8) * math.pi / 4.0:
        # Rounding at whole pixels would decide a tie with the pixel's own equals.
        down, right = round(2.0 * math.sin(angle), 12), round(2.0 * math.cos(angle), 12)
        places = np.stack([rows + down, columns + right])
        count += ndimage.map_coordinates(image, places, order=1, mode="nearest") >= image
    np.testing.assert_array_equal(MEASURES["mis6"](image, 1)[2:-2, 2:-2], count[2:-2, 2:-2])


def test_axes_are_rows_then_columns():
    """The filters' names for the axes fit the arrays they run on."""
    assert np.zeros((2, 5, 7)).shape[ROWS] == 5
    assert np.zeros((2, 5, 7)).shape[COLUMNS] == 7
