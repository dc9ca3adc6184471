"""Depth from focus on flat cards and bars: the optics of the cards, and what is measured."""

import math

import numpy as np
import pytest
from scipy import special

from stacktruth.runners.reproduce import depth_aperture, depth_step, window_edges
from stacktruth.runners.reproduce.through_focus import WAVELENGTH_UM, card_sweep, typical_error
from stacktruth.simulator import load_rig
from stacktruth.simulator.optics import blur_diameter_um, rig_f_number


def wave(cycle_px, side=64):
    """Return upright stripes of one cycle, contrast 1."""
    return np.tile(0.5 + 0.5 * np.cos(2 * np.pi * np.arange(side) / cycle_px), (side, 1))


def contrast(frame):
    """Return half the range over the mean."""
    return (frame.max() - frame.min()) / 2 / frame.mean()


def test_a_card_in_focus_keeps_the_contrast_of_a_perfect_lens_and_pixel():
    """Against (2/pi)(acos v - v sqrt(1 - v^2)) (Goodman, Fourier Optics, 6.4.2) times sinc."""
    rig = load_rig("field-2x")
    v = 1 / 16 / rig.sensor.pitch_um * WAVELENGTH_UM * rig_f_number(rig)
    lens = 2 / math.pi * (math.acos(v) - v * math.sqrt(1 - v * v))
    (frame,) = card_sweep(wave(16), [0.0], rig)
    assert contrast(frame) == pytest.approx(lens * np.sinc(1 / 16), rel=2e-3)


def test_a_card_far_from_focus_is_blurred_by_the_disc_of_the_lens():
    """Against 2 J1(x) / x of a disc (geometric limit), where diffraction is small: f/2.8."""
    rig = depth_aperture.rig_of(2.8, 1)
    offset = 0.3
    x = math.pi * float(blur_diameter_um(rig, offset)) / (64 * rig.sensor.pitch_um)
    (frame,) = card_sweep(wave(64), [offset], rig)
    assert contrast(frame) == pytest.approx(2 * special.j1(x) / x, rel=0.05)
    assert 0.1 < contrast(frame) < 0.9


def test_merged_pixels_are_as_coarse_as_their_number():
    """Eight pixels merged; the lens stays."""
    fine, coarse = depth_aperture.rig_of(4.0, 1), depth_aperture.rig_of(4.0, 8)
    assert coarse.sensor.pitch_um == 8 * fine.sensor.pitch_um
    assert coarse.lens == fine.lens
    assert fine.lens.f_number == 4.0


def test_the_typical_error_is_that_of_a_gaussian_and_bears_outliers():
    """One pixel in twenty gone wild changes it little."""
    error = np.random.default_rng(0).normal(0.0, 2.0, 20_000)
    assert typical_error(error) == pytest.approx(2.0, rel=0.03)
    error[:1000] = 1e6
    assert typical_error(error) == pytest.approx(2.0, rel=0.1)


def test_a_fine_step_finds_depth_between_the_frames():
    """The frame of the largest errs by the even spread of phases, a Gaussian far less."""
    rows = depth_step.step_errors("gravel", 0.5, side=64, seed=0)
    found = {(row["measure"], row["peak"], row["noise_grey"]): row for row in rows}
    plain, fitted = found["gra6", "argmax", 0.5], found["gra6", "gaussian", 0.5]
    phases = (np.arange(4) + 0.5) / 4 - 0.5
    assert plain["error"] == pytest.approx(0.5 * np.sqrt(np.mean(phases**2)), rel=1e-3)
    assert fitted["error"] < plain["error"] / 3


def test_bars_hide_what_is_behind_them_and_show_it_between():
    """Frames focused on the bars: bars sharp; one colour before and behind stays one colour."""
    rig = load_rig("field-2x")
    even = np.full((64, 128), 0.5, np.float32)
    frames = window_edges.bars_sweep(even, even, np.array([0.0, 4.0]), rig)
    np.testing.assert_allclose(frames, 0.5, atol=1e-5)
    dark = window_edges.bars_sweep(even, 0 * even, np.array([0.0]), rig)[0]
    cover = window_edges.bars(even.shape)
    assert dark[cover].mean() > 0.45
    assert dark[~cover].mean() < 0.05


def test_a_power_is_told_from_its_values():
    """Ten times at ten times: 1; a square: 2."""
    assert depth_aperture.slope({1.0: 3.0, 10.0: 30.0}) == pytest.approx(1.0)
    assert depth_aperture.slope({2.0: 4.0, 4.0: 16.0, 8.0: 64.0}) == pytest.approx(2.0)


@pytest.mark.slow
@pytest.mark.parametrize("study", [depth_step, depth_aperture, window_edges])
def test_a_study_writes_claims_table_figure_and_account(study, tmp_path):
    """Published statements with both verdicts and their source; the same again for the seed."""
    study.run(tmp_path, seed=0, quick=True, workers=1, progress=False)
    names = {path.name for path in tmp_path.iterdir()}
    assert {"claims.csv", "figure.png", "summary.md"} < names
    claims = (tmp_path / "claims.csv").read_text(encoding="utf-8")
    assert claims.count("\npublished,") >= 3
    assert "What could not be had" in (tmp_path / "summary.md").read_text(encoding="utf-8")
