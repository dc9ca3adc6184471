"""Tests of the aberrated pupil and of what a lens does across its field."""

from dataclasses import replace

import galsim
import numpy as np
import pytest

from stacktruth.simulator import load_rig, render_view
from stacktruth.simulator.blur.aberration import aberrated_otf, falloff
from stacktruth.simulator.blur.basis import bands_between, exact_band, optics_of
from stacktruth.simulator.blur.focusing import blur_radius_px
from stacktruth.simulator.rig import Rig
from stacktruth.simulator.transfer import defocus_otf
from stacktruth.simulator.view.camera import Camera

FREQUENCY = np.linspace(0.05, 1.9, 12)


def with_lens(**changes: object) -> Rig:
    """Return the field rig with another lens."""
    rig = load_rig("field-2x")
    return replace(rig, lens=replace(rig.lens, **changes))


def test_no_aberration_is_plain_defocus() -> None:
    """Without spherical aberration the transfer is that of Hopkins's defocused pupil."""
    waves = np.array([-40.0, -2.0, -0.5, 0.0, 0.5, 3.0, 25.0])
    frequency = np.linspace(0.01, 1.95, 500)[:, None]
    plain = defocus_otf(frequency, waves)
    aberrated = aberrated_otf(frequency, waves, spherical_waves=0.0)
    np.testing.assert_allclose(aberrated, plain, atol=1e-12)


@pytest.mark.parametrize("spherical", [-0.5, 1.0])
@pytest.mark.parametrize("waves", [-1.0, 0.4])
def test_aberration_agrees_with_galsim(spherical: float, waves: float) -> None:
    """Noll's Z4 and Z11 of galsim, in waves rms: w / (2 sqrt 3) and s / (6 sqrt 5)."""
    noll = [0.0] * 12
    noll[4], noll[11] = waves / (2 * np.sqrt(3)), spherical / (6 * np.sqrt(5))
    psf = galsim.OpticalPSF(lam_over_diam=1.0, aberrations=noll, pad_factor=3, oversampling=2)
    theirs = [psf.kValue(np.pi * f, 0).real for f in FREQUENCY]
    ours = aberrated_otf(FREQUENCY, waves, spherical_waves=spherical)
    np.testing.assert_allclose(ours, theirs, atol=2e-3)


def test_blur_differs_before_and_behind_the_focus() -> None:
    """Spherical aberration tells the two sides apart; defocus alone does not."""
    before, behind = aberrated_otf(0.4, [-1.0, 1.0], spherical_waves=0.8)
    assert abs(before - behind) > 0.1


@pytest.mark.parametrize("colour_mm", [(0.05, 0.0, -0.05)])
def test_basis_of_an_aberrated_lens_keeps_its_tolerance(
    colour_mm: tuple[float, float, float],
) -> None:
    """Low-rank bands agree with the exact transfer of single blur radii on both sides."""
    rig = with_lens(spherical_um=0.3, axial_colour_mm=colour_mm)
    key = optics_of(rig, pitch_um=15.6)
    assert not key.even
    shape = (64, 64)
    for band in bands_between(key, -4.5, 4.5):
        for radius in band.side * np.array([0.7, 3.0]):
            if not band.holds(np.array([radius]))[0]:
                continue
            index = band.index_at(np.array([radius], np.float32))
            basis = np.einsum("k,kcij->cij", band.weights[:, index[0]], band.spectra_for(shape))
            exact = exact_band(key, float(radius)).spectra_for(shape)[0]
            np.testing.assert_allclose(basis, exact, atol=1.5e-2)
            np.testing.assert_allclose(basis[:, 0, :4], exact[:, 0, :4], atol=2e-3)


def test_sides_share_out_every_radius_once() -> None:
    """For any blur radius exactly the bands of its sign have weight."""
    key = optics_of(with_lens(spherical_um=0.3), pitch_um=15.6)
    radius = np.array([-6.0, -2.0, 0.0, 2.0, 6.0], np.float32)
    for band in bands_between(key, -6.5, 6.5):
        used = band.share_of(radius) > 0
        assert not (used & ~band.on_side(radius)).any()


def test_axial_colour_focuses_each_channel_elsewhere() -> None:
    """The channel that is focused 0.1 mm farther is sharpest for points 0.1 mm farther."""
    rig = with_lens(axial_colour_mm=(0.1, 0.0, -0.1))
    key = optics_of(rig, pitch_um=3.9)
    camera = Camera(rig, crop=(8, 8))
    depth = np.full((8, 8), camera.distance_mm + 0.1, np.float32)
    radius = float(blur_radius_px(camera, (camera,), key, camera.frame, depth)[0, 0])
    transfer = exact_band(key, radius).spectra_for((64, 64))[0, :, 0, 10]
    assert transfer[0] > transfer[1] > transfer[2]


def test_curved_field_is_in_focus_farther_out() -> None:
    """A point at the corner is in focus on the curved surface, half k rho squared farther."""
    rig = with_lens(field_curvature_per_mm=0.05)
    camera = Camera(rig, bin=100)
    key = optics_of(rig, pitch_um=camera.pitch_um)
    down, across = camera.ray_axes(camera.frame)
    rho2 = camera.distance_mm**2 * (down**2 + across**2)
    depth = (camera.distance_mm + 0.05 / 2 * rho2).astype(np.float32)
    radius = blur_radius_px(camera, (camera,), key, camera.frame, depth)
    assert np.abs(radius).max() < 1e-3


def test_falloff_at_the_corner() -> None:
    """One stop at the corner is half the light there and none lost in the middle."""
    light = falloff((101, 101), corner_stops=1.0, corner_px=float(np.hypot(50, 50)))[..., 0]
    assert light[50, 50] == 1.0
    assert light[0, 0] == pytest.approx(0.5, rel=1e-5)


def test_bad_values_are_refused() -> None:
    """NaN and negative frequencies are errors that say what was wrong."""
    with pytest.raises(ValueError, match="finite"):
        aberrated_otf(0.5, np.nan, spherical_waves=0.1)
    with pytest.raises(ValueError, match="reduced_frequency must be >= 0"):
        aberrated_otf(-0.5, 0.0, spherical_waves=0.1)


@pytest.mark.parametrize("bin_px", [1, 4])
def test_corners_are_as_dark_with_merged_pixels(rig, scene, sheet, bin_px) -> None:
    """A white wall loses the lens's stops at the sensor's corner, however pixels are merged."""
    dark = replace(rig, lens=replace(rig.lens, vignetting_stops=1.0))
    wall = scene(sheet(colour=(1, 1, 1)))
    picture = render_view(wall, dark, bin=bin_px)[..., 1]
    rows, cols = picture.shape
    # The first pixel's centre lies half a pixel within the corner, on a square law of stops.
    share = np.hypot(rows - 1, cols - 1) / np.hypot(rows, cols)
    assert -np.log2(picture[0, 0]) == pytest.approx(share**2, abs=2e-3)
    assert picture[rows // 2, cols // 2] == pytest.approx(1, abs=2e-3)
