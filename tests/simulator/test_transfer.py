"""The transfer functions, against tables, other formulas, an FFT of the pupil, and GalSim."""

from __future__ import annotations

import galsim
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize_scalar
from scipy.special import j1, jv

from stacktruth.simulator import optics, transfer
from stacktruth.simulator.rig import load_rig
from stacktruth.simulator.transfer import defocus_otf

FREQUENCIES = np.array([0.1, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75])

# Worked out apart from this project's code, by the integral and by the Bessel series, which agree
# to 4e-16. First column: defocus W in waves; then the transfer at the frequencies above.
OTF_TABLE = np.array(
    [
        [0, 0.93636, 0.84126, 0.68504, 0.53397, 0.39100, 0.25960, 0.14429, 0.05205],
        [0.125, 0.93378, 0.82908, 0.65655, 0.49998, 0.36308, 0.24342, 0.13855, 0.05134],
        [0.25, 0.92604, 0.79326, 0.57590, 0.40679, 0.28747, 0.19906, 0.12227, 0.04927],
        [0.5, 0.89552, 0.66023, 0.31733, 0.14418, 0.08461, 0.07365, 0.06990, 0.04155],
        [0.75, 0.84615, 0.47191, 0.06199, -0.03439, -0.03271, -0.01271, 0.01759, 0.03057],
        [1, 0.78009, 0.26845, -0.06831, -0.04460, -0.02007, -0.01944, -0.01014, 0.01863],
        [1.5, 0.60985, -0.03608, 0.00577, 0.03184, 0.01556, 0.01546, 0.00192, 0.00030],
        [2, 0.41297, -0.09779, 0.02664, -0.01807, -0.00767, -0.00804, 0.00583, -0.00431],
        [3, 0.05827, 0.05361, 0.01498, -0.00922, -0.00431, -0.00412, 0.00312, 0.00328],
    ]
)


def hopkins_series(s, waves, *, terms):
    """Hopkins' series in Bessel functions, Proc. R. Soc. A 231, 91 (1955): an outside formula."""
    a, beta = 4.0 * np.pi * waves * s, np.arccos(0.5 * s)
    k = np.arange(1, terms)
    even = (
        (-1.0) ** (k + 1) * np.sin(2 * k * beta) / (2 * k) * (jv(2 * k - 1, a) - jv(2 * k + 1, a))
    )
    k = np.arange(0, terms)
    odd = (-1.0) ** k * np.sin((2 * k + 1) * beta) / (2 * k + 1) * (jv(2 * k, a) - jv(2 * k + 2, a))
    bracket = np.cos(0.5 * a * s) * (beta * j1(a) + even.sum()) - np.sin(0.5 * a * s) * odd.sum()
    return 4.0 / (np.pi * a) * bracket


def otf_of_sampled_pupil(waves, *, across=400, fine=8):
    """Autocorrelation of a pupil drawn on a grid with soft edges, by FFT."""
    at = (np.arange(across * fine) + 0.5) / (across * fine) * 2.0 - 1.0
    clear = (at[:, None] ** 2 + at**2 < 1.0).reshape(across, fine, across, fine).mean((1, 3))
    at = at.reshape(across, fine).mean(1)
    pupil = clear * np.exp(2j * np.pi * waves * (at[:, None] ** 2 + at**2))
    overlap = np.fft.ifft2(np.abs(np.fft.fft2(pupil, (2 * across, 2 * across))) ** 2)
    return overlap[0, :across].real / clear.sum()


# --- the exact function -----------------------------------------------------------------------


@pytest.mark.parametrize("row", OTF_TABLE, ids=lambda row: f"W={row[0]:g}")
def test_otf_table(row):
    """Every row of the table, to its last digit."""
    assert np.allclose(defocus_otf(FREQUENCIES, row[0]), row[1:], rtol=0, atol=2e-5)


@pytest.mark.parametrize("waves", [0.05, 0.5, 1.3, 4.0, 17.0, 40.0])
def test_otf_agrees_with_the_bessel_series(waves):
    """Integral and series are the same function, from focus to far out of it."""
    s = np.linspace(0.01, 1.99, 37)
    series = [hopkins_series(x, waves, terms=800) for x in s]
    assert np.allclose(defocus_otf(s, waves), series, rtol=0, atol=1e-9)


@pytest.mark.parametrize("waves", [0.0, 0.25, 1.0, 3.0])
def test_otf_agrees_with_the_fft_of_a_sampled_pupil(waves):
    """The autocorrelation of a drawn pupil, within the error of its pixels."""
    sampled = otf_of_sampled_pupil(waves)
    s = 2.0 * np.arange(sampled.size) / sampled.size
    # At s = 0 the soft edge of the drawn pupil counts squared, and wrongly so.
    assert np.abs(sampled - defocus_otf(s, waves))[1:].max() < 3e-4


def galsim_error(waves, *, pad_factor, oversampling):
    """Largest difference from GalSim's lens; its defocus is Noll's Z4 in waves rms."""
    s = np.array([0.05, 0.1, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 1.95])
    psf = galsim.OpticalPSF(
        lam_over_diam=1.0,
        defocus=waves / (2.0 * np.sqrt(3.0)),
        pad_factor=pad_factor,
        oversampling=oversampling,
        gsparams=galsim.GSParams(maximum_fft_size=16384),
    )
    outside = np.array([psf.kValue(np.pi * x, 0.0).real for x in s])
    return np.abs(outside - defocus_otf(s, waves)).max()


@pytest.mark.parametrize("waves", [0.0, 0.25, 0.5, 1.0, 2.0])
def test_otf_agrees_with_galsim(waves):
    """An outside library, at a sampling that is quick."""
    assert galsim_error(waves, pad_factor=3, oversampling=2) < 1.5e-3


@pytest.mark.slow
@pytest.mark.parametrize("waves", [1.0])
def test_otf_agrees_with_galsim_sampled_finely(waves):
    """The same with eightfold padding: the difference falls with GalSim's own error."""
    assert galsim_error(waves, pad_factor=8, oversampling=4) < 2e-4


def test_smallest_defocus_with_a_zero():
    """The transfer first touches zero at W = 0.6416 (s = 0.978); textbooks say 0.64."""

    def lowest(waves):
        return minimize_scalar(
            lambda s: float(defocus_otf(s, waves)), bounds=(0.7, 1.3), method="bounded"
        )

    waves = brentq(lambda w: lowest(w).fun, 0.6, 0.7, xtol=1e-9)
    assert waves == pytest.approx(0.64163, abs=1e-5)
    assert lowest(waves).x == pytest.approx(0.978, abs=1e-3)
    assert defocus_otf(np.linspace(0.0, 1.99, 400), 0.6415).min() > 0.0


@pytest.mark.parametrize(
    ("waves", "exact", "geometric"),
    [
        (0.7, 0.3451, 0.2178),
        (1, 0.1931, 0.1525),
        (1.5, 0.1166, 0.1016),
        (2, 0.0840, 0.0762),
        (3, 0.0541, 0.0508),
        (5, 0.0316, 0.0305),
        (8, 0.0195, 0.0191),
    ],
)
def test_first_zero(waves, exact, geometric):
    """First zero as a share of the cut-off; the disc's is always nearer. Worked out apart."""
    for function, expected in (
        (lambda v: defocus_otf(2.0 * v, waves), exact),
        (lambda v: transfer.disc_otf(2.0 * v, 4.0 * waves), geometric),
    ):
        v = np.linspace(0.0, 1.0, 4001)[1:]
        first = int(np.argmax(function(v) < 0.0))
        zero = brentq(function, v[first - 1], v[first])
        assert zero == pytest.approx(expected, abs=6e-5)


@pytest.mark.parametrize(
    ("waves", "published_error"), [(0.25, 0.0276), (0.5, 0.0211), (1, 0.0126), (2, 0.0068)]
)
def test_stokseth_approximation_is_off_by_its_known_error(waves, published_error):
    """Stokseth's 1969 fit, J. Opt. Soc. Am. 59, 1314, is a known distance from the exact one."""
    s = np.linspace(0.0, 2.0, 2001)[1:-1]
    x = 4.0 * np.pi * waves * s * (1.0 - 0.5 * s)
    fit = (1.0 - 0.69 * s + 0.0076 * s**2 + 0.043 * s**3) * 2.0 * j1(x) / x
    assert np.abs(fit - defocus_otf(s, waves)).max() == pytest.approx(published_error, abs=1e-4)


def disc_error(waves):
    """Largest distance of the geometric disc from the exact function."""
    s = np.linspace(0.0, 2.0, 4001)
    return np.abs(transfer.disc_otf(s, 4.0 * waves) - defocus_otf(s, waves)).max()


@pytest.mark.parametrize(("waves", "error"), [(0.25, 0.245), (0.5, 0.264), (1, 0.140), (2, 0.081)])
def test_disc_is_far_off_near_focus(waves, error):
    """The geometric disc's error in the depth of field and beside it, worked out apart."""
    assert disc_error(waves) == pytest.approx(error, abs=1e-3)


def test_disc_is_the_limit_of_large_defocus():
    """Each fourfold defocus brings the exact function closer to the disc."""
    errors = [disc_error(waves) for waves in (2.0, 8.0, 32.0)]
    assert errors[1] < errors[0] / 2.5
    assert errors[2] < errors[1] / 2.5


def test_shape_ends_and_symmetry():
    """Broadcast shape, 1 at zero frequency, 0 from the cut-off on, same for either sign."""
    s, waves = np.linspace(0.0, 2.5, 26)[:, None], np.linspace(-3.0, 3.0, 13)
    otf = defocus_otf(s, waves)
    assert otf.shape == (26, 13)
    assert otf.dtype == np.float64
    assert np.allclose(otf[0], 1.0, rtol=0, atol=1e-12)
    assert not otf[20:].any()
    assert np.array_equal(otf, otf[:, ::-1])


def test_long_lists_leave_no_seam():
    """The list is worked through in parts; each of its values equals the one worked out alone."""
    s, waves = np.tile([0.3, 1.1, 1.9], 150_000), np.tile([0.2, 1.5, 3.0], 150_000)
    alone = defocus_otf(s[:3], waves[:3])
    assert np.allclose(defocus_otf(s, waves).reshape(-1, 3), alone, rtol=0, atol=1e-12)


@given(s=st.floats(0.0, 2.0), waves=st.floats(-40.0, 40.0))
def test_defocus_never_raises_contrast(s, waves):
    """No transfer exceeds the perfect one, in size."""
    assert abs(float(defocus_otf(s, waves))) <= float(transfer.diffraction_mtf(s)) + 1e-12


# --- the perfect pupil, Strehl, pixel -----------------------------------------------------------


@pytest.mark.parametrize(("contrast", "share"), [(0.5, 0.40397), (0.1, 0.80538)])
def test_mtf50_and_mtf10_of_the_perfect_pupil(contrast, share):
    """Frequencies of half and tenth contrast as shares of the cut-off, worked out apart."""
    assert float(transfer.diffraction_mtf(2.0 * share)) == pytest.approx(contrast, abs=1e-5)


def test_otf_in_focus_is_the_closed_form():
    """The integral at W = 0 meets the closed form, also where both vanish."""
    s = np.linspace(0.0, 2.2, 221)
    assert np.allclose(defocus_otf(s, 0.0), transfer.diffraction_mtf(s), rtol=0, atol=1e-12)


STREHL_TABLE = [
    (0.0625, 0.98721),
    (0.125, 0.94964),
    (0.1875, 0.88956),
    (0.25, 0.81057),
    (0.3, 0.73684),
    (0.5, 0.40528),
    (0.75, 0.09006),
    (1.0, 0.0),
    (1.4303, 0.0472),
    (0.25752, 0.8),
    (0.44295, 0.5),
]


@pytest.mark.parametrize(("waves", "expected"), STREHL_TABLE)
def test_strehl_table(waves, expected):
    """Published closed form, Mahajan, JOSA 72, 1258 (1982); 0.81 at a quarter wave."""
    assert float(transfer.strehl(waves)) == pytest.approx(expected, abs=1.5e-5)


@pytest.mark.parametrize("waves", [0.1, 0.25, 0.5, 1.0, 1.4303, 3.3])
def test_strehl_is_the_volume_under_the_otf(waves):
    """The peak of the point image is the integral of its transfer over all frequencies."""
    nodes, weights = np.polynomial.legendre.leggauss(400)
    s, ds = nodes + 1.0, weights
    volume = (defocus_otf(s, waves) * s * ds).sum() / (defocus_otf(s, 0.0) * s * ds).sum()
    assert volume == pytest.approx(float(transfer.strehl(waves)), abs=1e-6)


def test_pixel_mtf_known_values():
    """A full pixel passes 2/pi at Nyquist (ISO 12233 practice), its square in the corner."""
    assert float(transfer.pixel_mtf(0.5)) == pytest.approx(0.63662, abs=1e-5)
    assert float(transfer.pixel_mtf(0.5, -0.5)) == pytest.approx(0.63662**2, abs=1e-5)
    assert float(transfer.pixel_mtf(0.0)) == 1.0


def test_pixel_mtf_is_the_mean_over_the_pixel():
    """Averaging a fine cosine over one pixel does the same."""
    x = (np.arange(1000) + 0.5) / 1000 - 0.5
    for frequency in (0.1, 0.37, 0.5, 0.8):
        averaged = np.cos(2.0 * np.pi * frequency * x).mean()
        assert float(transfer.pixel_mtf(frequency)) == pytest.approx(averaged, abs=1e-6)


def test_disc_otf_is_the_mean_over_the_disc():
    """Averaging a cosine over a drawn disc does the same."""
    x = (np.arange(800) + 0.5) / 400 - 1.0
    inside = x[:, None] ** 2 + x**2 < 1.0
    for diameter in (3.0, 8.0):
        waves = np.broadcast_to(np.cos(2.0 * np.pi * 0.2 * 0.5 * diameter * x), inside.shape)
        averaged = waves[inside].mean()
        assert float(transfer.disc_otf(0.2, diameter)) == pytest.approx(averaged, abs=2e-4)


# --- rigs -------------------------------------------------------------------------------------


def test_reduced_frequency_at_the_cut_off():
    """At 1 / (lambda N_eff) cycles per um the reduced frequency is 2."""
    rig = load_rig("field-2x")
    cut_off = rig.sensor.pitch_um / (0.55 * optics.rig_f_number(rig))
    s = transfer.reduced_frequency(rig, [0.0, 0.5 * cut_off, cut_off], wavelength_um=0.55)
    assert np.allclose(s, [0.0, 1.0, 2.0], rtol=1e-12)


def test_polychromatic_otf_is_the_mean_over_wavelengths():
    """By hand for the red channel, with the defocus in waves of each wavelength."""
    rig, frequency, path_mm = load_rig("field-2x"), 0.15, 0.4e-3
    by_hand = 0.0
    for wavelength_um in rig.wavelengths_um[0]:
        s = 2.0 * frequency / rig.sensor.pitch_um * wavelength_um * 5.6 * 3.0
        by_hand += float(defocus_otf(s, path_mm * 1000.0 / wavelength_um)) / 3.0
    otf = transfer.polychromatic_otf(rig, frequency, defocus_mm=path_mm, channel=0)
    assert float(otf) == pytest.approx(by_hand, abs=1e-12)


def test_blue_is_sharper_than_red_in_focus():
    """Channels are in the order red, green, blue: shorter waves diffract less."""
    rig = load_rig("field-1x")
    red, green, blue = (float(transfer.polychromatic_otf(rig, 0.2, channel=c)) for c in range(3))
    assert red < green < blue


@pytest.mark.parametrize("rig_name", ["field-1x", "field-2x", "test-rig"])
@pytest.mark.parametrize(
    ("frequency", "share"), [(0.05, 0.5), (0.1, 0.8), (0.2, 0.02), (0.1, 0.005)]
)
def test_otf_depth_of_field_round_trip(rig_name, frequency, share):
    """At both limits the asked share remains; everywhere inside more does."""
    rig = load_rig(rig_name)
    depth = transfer.otf_depth_of_field_mm(rig, frequency_cy_per_px=frequency, contrast_share=share)
    offsets = np.linspace(-depth.near_mm, depth.far_mm, 101)
    path_mm = optics.defocus_mm(rig, offsets)
    kept = transfer.polychromatic_otf(rig, frequency, defocus_mm=path_mm)
    kept /= transfer.polychromatic_otf(rig, frequency)
    assert np.allclose(kept[[0, -1]], share, atol=1e-7)
    assert (kept[1:-1] > share).all()


def test_otf_depth_of_field_tends_to_the_geometric_one():
    """For a coarse pattern and a wide lens, diffraction drops out: the disc sets the depth."""
    rig, frequency, share = load_rig("test-rig"), 0.02, 0.5
    diameter_px = brentq(lambda b: float(transfer.disc_otf(frequency, b)) - share, 1.0, 60.0)
    disc = optics.depth_of_field_mm(rig, blur_um=diameter_px * rig.sensor.pitch_um)
    wave = transfer.otf_depth_of_field_mm(rig, frequency_cy_per_px=frequency, contrast_share=share)
    assert wave.total_mm == pytest.approx(disc.total_mm, rel=0.02)


# --- bad input --------------------------------------------------------------------------------


@pytest.mark.parametrize("bad", [np.nan, np.inf, [0.5, np.nan]])
def test_values_that_are_not_finite_are_refused(bad):
    """NaN and infinity are named, not passed on into pictures."""
    with pytest.raises(ValueError, match="reduced_frequency must be finite"):
        defocus_otf(bad, 1.0)
    with pytest.raises(ValueError, match="defocus_waves must be finite"):
        defocus_otf(0.5, bad)
    with pytest.raises(ValueError, match="defocus_waves must be finite"):
        transfer.strehl(bad)
    with pytest.raises(ValueError, match="diameter_px must be finite"):
        transfer.disc_otf(0.5, bad)
    with pytest.raises(ValueError, match="frequency_y_cy_per_px must be finite"):
        transfer.pixel_mtf(0.5, bad)
    with pytest.raises(ValueError, match="defocus_mm must be finite"):
        transfer.polychromatic_otf(load_rig("test-rig"), 0.1, defocus_mm=bad)


def test_negative_frequencies_are_refused():
    """Radial frequencies have no sign; the message shows the worst."""
    with pytest.raises(ValueError, match=r"reduced_frequency must be >= 0, got -0\.3"):
        defocus_otf([0.1, -0.3], 1.0)
    with pytest.raises(ValueError, match="reduced_frequency must be >= 0"):
        transfer.diffraction_mtf(-1.0)
    with pytest.raises(ValueError, match="frequency_cy_per_px must be >= 0"):
        transfer.reduced_frequency(load_rig("test-rig"), -0.1, wavelength_um=0.5)


def test_unknown_channels_and_wavelengths_are_refused():
    """The allowed channels are listed; a wavelength must be positive."""
    rig = load_rig("test-rig")
    with pytest.raises(ValueError, match=r"channel must be 0 .* got 3"):
        transfer.polychromatic_otf(rig, 0.1, channel=3)
    with pytest.raises(ValueError, match=r"wavelength_um must be > 0, got nan"):
        transfer.reduced_frequency(rig, 0.1, wavelength_um=float("nan"))


@pytest.mark.parametrize("share", [0.0, 1.0, -0.5, float("nan")])
def test_shares_outside_0_to_1_are_refused(share):
    """All of the contrast holds only in the plane of focus, and none holds everywhere."""
    with pytest.raises(ValueError, match="contrast_share must be > 0 and < 1"):
        transfer.otf_depth_of_field_mm(
            load_rig("test-rig"), frequency_cy_per_px=0.1, contrast_share=share
        )


@pytest.mark.parametrize("frequency", [0.0, 0.5])
def test_patterns_without_a_depth_of_field_are_refused(frequency):
    """An even field is never out of focus, and beyond the cut-off (0.426) there is no pattern."""
    with pytest.raises(ValueError, match=r"frequency_cy_per_px must be > 0 and < 0\.4"):
        transfer.otf_depth_of_field_mm(
            load_rig("field-1x"), frequency_cy_per_px=frequency, contrast_share=0.5
        )
