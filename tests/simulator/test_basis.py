"""Bases of the transfer function against the exact function that they stand for."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from stacktruth.simulator import optics, transfer
from stacktruth.simulator.blur.basis import (
    Optics,
    bands_between,
    exact_band,
    optics_of,
    scale_for,
    view_scale,
)

GREEN = 1
# Radii, px, at which bands end, and the ratio over which they fade (see the module's head).
EDGES, FADE = [4.0, 8.0, 16.0, 32.0], 1.25


def key_of(rig, *, diffraction=True):
    """Return the key of a rig's blur on its own pixels."""
    return optics_of(rig, pitch_um=rig.sensor.pitch_um, diffraction=diffraction)


def exact_otf(rig, frequency_cy_per_px, radius_px, *, diffraction):
    """Return the lens's transfer at a blur radius, from the module of transfer functions."""
    if not diffraction:
        return transfer.disc_otf(frequency_cy_per_px, 2 * radius_px)
    defocus_mm = 2 * radius_px * rig.sensor.pitch_um * 1e-3 / (8 * optics.rig_f_number(rig))
    return transfer.polychromatic_otf(
        rig, frequency_cy_per_px, defocus_mm=defocus_mm, channel=GREEN
    )


def sampled(band, frequency_cy_per_px):
    """Return the band's spectra of green at frequencies in cycles per picture pixel, (K, n)."""
    place = np.asarray(frequency_cy_per_px) * band.scale / np.sqrt(0.5)
    index = np.rint(place * (band.spectra.shape[-1] - 1)).astype(int)
    return band.spectra[:, GREEN, index]


def product(band, frequency_cy_per_px, radius_px):
    """Return the transfer that the band gives, (frequencies, radii)."""
    weights = band.weights[:, band.index_at(radius_px.astype(np.float32))]
    return sampled(band, frequency_cy_per_px).T @ weights


@pytest.mark.parametrize("diffraction", [True, False])
@pytest.mark.parametrize("name", ["rig", "field_rig"])
@pytest.mark.parametrize("number", range(4))
def test_a_basis_is_the_exact_transfer_within_its_tolerance(name, number, diffraction, request):
    """Between the fades the error is below 1e-3 up to 0.06 cy/px, and grows as f beyond."""
    rig = request.getfixturevalue(name)
    low = EDGES[number - 1] * FADE if number else 0.0
    radius = np.random.default_rng(number).uniform(low, EDGES[number], 40)
    key = key_of(rig, diffraction=diffraction)
    (band,) = (b for b in bands_between(key, low, EDGES[number]) if b.high_px > EDGES[number])
    frequency = np.linspace(0, 0.5 / band.scale, 60)
    wrong = product(band, frequency, radius) - exact_otf(
        rig, frequency[:, None], radius[None, :], diffraction=diffraction
    )
    allowed = key.tolerance * np.maximum(1.0, frequency / 0.06)
    assert (np.abs(wrong).max(axis=1) <= allowed).all()


@pytest.mark.parametrize("radius_px", [0.0, 0.7, 3.3, 7.0, 26.0])
@pytest.mark.parametrize("diffraction", [True, False])
def test_a_single_radius_has_no_error_of_a_basis(field_rig, radius_px, diffraction):
    """One product gives the exact transfer, to the sampling of its table."""
    band = exact_band(key_of(field_rig, diffraction=diffraction), radius_px)
    assert band.rank == 1
    frequency = np.linspace(0, 0.5 / band.scale, 200)
    got = product(band, frequency, np.array([radius_px]))[:, 0]
    # A table of 8192 steps, looked up without interpolation.
    tolerance = 1e-5 + 0.5 * np.sqrt(0.5) / 8191 / band.scale * 2 * np.pi * max(radius_px, 3.0)
    assert got == pytest.approx(
        exact_otf(field_rig, frequency, radius_px, diffraction=diffraction), abs=tolerance
    )


def test_each_channel_has_its_own_wavelengths(field_rig):
    """The transfer ends where 1 / (lambda N) of the channel's shortest wavelength says."""
    band = exact_band(key_of(field_rig), 0.0)
    frequency = np.linspace(0, np.sqrt(0.5), band.spectra.shape[-1])
    cut_off = 3.9 / (np.array([0.58, 0.51, 0.44]) * 16.8)
    for channel in range(3):
        ends = frequency[np.flatnonzero(np.abs(band.spectra[0, channel]) > 1e-4)[-1]]
        assert ends == pytest.approx(cut_off[channel], abs=4e-3)


def test_wide_blur_is_geometric_in_the_end(rig):
    """Far out of focus the waves make the disc: they differ by less than 0.02."""
    waves, disc = (exact_band(key_of(rig, diffraction=d), 20.0) for d in (True, False))
    assert waves.spectra == pytest.approx(disc.spectra, abs=0.02)
    assert np.abs(waves.spectra - disc.spectra).max() > 1e-4


@pytest.mark.parametrize("offset_mm", [-2.0, -0.3, 0.1, 4.0])
def test_radius_is_half_the_blur_diameter(field_rig, offset_mm):
    """A point's wavefront defocus gives the radius of the disc that the optics give it."""
    key = key_of(field_rig)
    radius = key.radius_px_per_defocus_mm * np.abs(optics.defocus_mm(field_rig, offset_mm))
    disc_um = optics.blur_diameter_um(field_rig, offset_mm)
    assert radius == pytest.approx(disc_um / 2 / 3.9)


def test_coarser_pixels_are_another_key(field_rig):
    """At four times the pitch the radius in pixels is a quarter; the key keeps the rest."""
    fine, coarse = (optics_of(field_rig, pitch_um=pitch) for pitch in (3.9, 15.6))
    assert coarse == replace(fine, pitch_um=15.6)
    assert fine.radius_px_per_defocus_mm == pytest.approx(4 * coarse.radius_px_per_defocus_mm)
    assert coarse.diffraction_margin_px < fine.diffraction_margin_px


def test_merged_pixels_stay_small_beside_the_blur():
    """A merged pixel is a quarter of the blur radius at most, and a power of two."""
    radii = (0, 4, 7.9, 8, 15.9, 16, 32, 100)
    assert [scale_for(radius) for radius in radii] == [1, 1, 1, 2, 2, 4, 8, 16]


@pytest.mark.parametrize(("low", "high"), [(0, 3), (0, 40), (4.5, 4.6), (5.1, 9), (30, 31)])
def test_bands_cover_a_range_without_a_gap(rig, low, high):
    """Neighbours overlap, the first reaches below the range and the last beyond it."""
    bands = bands_between(key_of(rig, diffraction=False), low, high)
    assert bands[0].low_px <= low
    assert bands[-1].high_px / FADE >= high
    for lower, upper in pairwise(bands):
        assert lower.high_px == pytest.approx(FADE * upper.low_px)
        assert upper.scale in (lower.scale, 2 * lower.scale)


def test_a_part_is_seen_no_coarser_than_its_sharpest_blur_allows(rig):
    """The scale of the view is that of the finest band that the blur needs."""
    key = key_of(rig, diffraction=False)
    for radius in (0.0, 3.0, 9.0, 11.0, 21.0, 50.0):
        assert view_scale(radius) == min(b.scale for b in bands_between(key, radius, 60.0))


def test_light_stays_within_reach(rig):
    """A disc lies within its band's reach; with diffraction 97 % of an Airy pattern does.

    Encircled energy 1 - J0^2 - J1^2 at five radii of the first dark ring: 0.967.
    """
    key = key_of(rig, diffraction=False)
    for band in bands_between(key, 0.0, 40.0):
        assert band.reach_px >= band.high_px
    radius_px = 5 * 1.22 * 0.64 * 5.6 / 20
    assert key_of(rig).diffraction_margin_px >= radius_px


def test_spectra_lie_on_the_grid_of_a_real_transform(rig):
    """The grid's radial frequency picks the value: the same in all directions."""
    band = exact_band(key_of(rig, diffraction=False), 3.0)
    grid = band.spectra_for((32, 32))[0, GREEN]
    assert grid.shape == (32, 17)
    assert grid[0, 0] == pytest.approx(1.0)
    assert grid[5, 0] == pytest.approx(grid[0, 5], abs=1e-6)
    assert grid[0, 5] == pytest.approx(grid[-5, 0], abs=1e-6)
    assert grid[3, 4] == pytest.approx(grid[-4, 3], abs=1e-6)
    assert grid[3, 4] == pytest.approx(grid[0, 5], abs=1e-3)
    assert grid[0, 5] == pytest.approx(transfer.disc_otf(5 / 32, 6.0), abs=1e-3)


def test_keys_are_hashable_values():
    """Equal optics share their bases."""
    waves = ((0.6,), (0.55,), (0.45,))
    first, second = (
        Optics(working_f_number=4.0, pitch_um=5.0, wavelengths_um=waves) for _ in range(2)
    )
    assert hash(first) == hash(second)
    assert exact_band(first, 2.0).spectra is not None
    assert bands_between(first, 0, 1)[0] is bands_between(second, 0, 1)[0]
