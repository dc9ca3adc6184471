"""Pupils of straight and rounded blades: shape, transfer, basis, cells and pictures."""

import weakref
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from stacktruth.simulator import Rig, load_rig, optics, render_view
from stacktruth.simulator.blur.basis import bands_between, exact_band, optics_of
from stacktruth.simulator.blur.pupil import ROUND, diaphragm
from stacktruth.simulator.blur.pupil_cells import CellBlur, cut_pupil
from stacktruth.simulator.blur.pupil_transfer import pupil_otf
from stacktruth.simulator.blur.shaped import ShapedOptics, blur_of, forget_spectra
from stacktruth.simulator.compositing.levels import Level
from stacktruth.simulator.data import DataFileError
from stacktruth.simulator.rig import Lens
from stacktruth.simulator.scene.scene import Outline
from stacktruth.simulator.transfer import defocus_otf

# Side and samples of the grid that a pupil's autocorrelation is taken on.
SIDE, SAMPLES = 5.0, 768


def with_lens(rig: Rig, **changes: object) -> Rig:
    """Return a rig with another lens."""
    return replace(rig, lens=replace(rig.lens, **changes))


def inside(x, y, blades, roundness, angle_deg):
    """Return where points lie in a diaphragm of the area pi: nothing of ours is used.

    A polygon of corners, and on each of its sides the piece of a circle through both its corners
    that is so much flatter than the one through all of them.
    """
    # One corner is straight up, y down, and angles go clockwise.
    turn = np.radians(angle_deg - 90) + 2 * np.pi * np.arange(blades) / blades
    corners = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    nexts = np.roll(corners, -1, axis=0)
    half = np.pi / blades
    area = blades / 2 * np.sin(2 * half)
    if roundness:
        span = 2 * np.arcsin(roundness * np.sin(half))
        area += blades * (span - np.sin(span)) / (2 * roundness**2)
    size = np.sqrt(np.pi / area)
    x, y = x / size, y / size
    beyond = [
        (b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0]) < 0
        for a, b in zip(corners, nexts, strict=True)
    ]
    found = ~np.any(beyond, axis=0)
    for a, b, past in zip(corners, nexts, beyond, strict=True):
        if roundness:
            middle = (a + b) / 2
            inward = -middle / np.hypot(*middle)
            centre = middle + inward * np.sqrt(1 / roundness**2 - np.sin(half) ** 2)
            near = (x - centre[0]) ** 2 + (y - centre[1]) ** 2 <= 1 / roundness**2
            found |= past & near
    return found


@cache
def grid():
    """Return the middles of the grid's samples, x and y, and of 3 x 3 spots in each."""
    axis = (np.arange(SAMPLES) - SAMPLES // 2) * (SIDE / SAMPLES)
    return np.meshgrid(axis, axis)


@cache
def amplitude(blades, roundness, angle_deg):
    """Return the share of each of the grid's samples that the diaphragm leaves open."""
    spots = (np.arange(3) - 1) / 3 * (SIDE / SAMPLES)
    x, y = grid()
    return (
        sum(
            inside(x + a, y + b, blades, roundness, angle_deg).astype(float)
            for a in spots
            for b in spots
        )
        / len(spots) ** 2
    )


def autocorrelation(open_share, defocus, spherical):
    """Return a pupil's transfer by two plain transforms, and frequencies of 300 of its samples."""
    x, y = grid()
    rho2 = x * x + y * y
    field = open_share * np.exp(2j * np.pi * ((defocus - spherical) * rho2 + spherical * rho2**2))
    # Sums over p of conj(P(p)) P(p + k): the image of a point has the phase of their conjugates.
    whole = np.fft.ifft2(np.abs(np.fft.fft2(field)) ** 2) / open_share.sum()
    at = np.random.default_rng(1).integers(-315, 316, (300, 2))
    f_y, f_x = at.T * (SIDE / SAMPLES)
    return f_x, f_y, whole[at[:, 0], at[:, 1]].conj()


@pytest.mark.parametrize(("blades", "roundness"), [(5, 0.0), (6, 0.0), (7, 0.5), (8, 0.8)])
@pytest.mark.parametrize(
    ("defocus", "spherical"), [(0.0, 0.0), (3.0, 0.0), (-3.0, 0.0), (-1.0, 0.6)]
)
def test_transfer_is_the_autocorrelation_of_the_pupil(blades, roundness, defocus, spherical):
    """Against transforms of the pupil on a dense grid, in focus and on both sides of it."""
    pupil = diaphragm(blades, roundness=roundness, angle_deg=11.0)
    f_x, f_y, expected = autocorrelation(amplitude(blades, roundness, 11.0), defocus, spherical)
    got = pupil_otf(pupil, f_x, f_y, defocus, spherical_waves=spherical)
    np.testing.assert_allclose(got, expected, atol=2e-4)
    # The order of axes and the sign of the phase would be seen.
    if blades == 5 and defocus:
        assert np.abs(got - expected.conj()).max() > 0.02
        other = pupil_otf(pupil, f_y, f_x, defocus, spherical_waves=spherical)
        assert np.abs(other - expected).max() > 0.02


def test_round_pupils_have_the_closed_form():
    """(2/pi)(acos v - v sqrt(1 - v^2)), v = s/2 (Goodman, Fourier Optics, 6.4.2), and Hopkins."""
    s, turn = np.linspace(0, 2, 41), np.linspace(0, 6, 41)
    v = s / 2
    closed = 2 / np.pi * (np.arccos(v) - v * np.sqrt(1 - v * v))
    f_x, f_y = s * np.cos(turn), s * np.sin(turn)
    np.testing.assert_allclose(pupil_otf(ROUND, f_x, f_y, 0.0), closed, atol=1e-5)
    waves = np.array([-9.0, -0.7, 2.5])[:, None]
    np.testing.assert_allclose(pupil_otf(ROUND, f_x, f_y, waves), defocus_otf(s, waves), atol=2e-5)
    assert diaphragm(0) is diaphragm(9, roundness=1.0, angle_deg=4.0) is ROUND


@pytest.mark.parametrize("blades", [3, 5, 7, 9, 18, 24])
def test_blades_keep_the_area_of_the_round_pupil(blades):
    """The area n/2 sin(2 pi/n) R^2 of a regular polygon with corners at R is pi."""
    straight = diaphragm(blades, angle_deg=17.0)
    polygon = blades / 2 * np.sin(2 * np.pi / blades) * straight.farthest**2
    assert polygon == pytest.approx(np.pi, rel=1e-5)
    assert straight.area == pytest.approx(1, abs=1e-6)
    rounded = diaphragm(blades, roundness=0.6, angle_deg=17.0)
    assert rounded.area == pytest.approx(1, abs=1e-6)
    assert 1 < rounded.farthest < straight.farthest
    assert straight.even == rounded.even == (blades % 2 == 0)


@pytest.mark.parametrize("roundness", [0.0, 0.5])
def test_a_diaphragm_is_what_its_corners_say(roundness):
    """Its points are those of the polygon and the arcs on its sides."""
    x, y = np.random.default_rng(3).uniform(-1.2, 1.2, (2, 20_000))
    ours = diaphragm(5, roundness=roundness, angle_deg=20.0).holds(x, y)
    assert (ours == inside(x, y, 5, roundness, 20.0)).mean() > 0.9999


def pentagon_key(rig: Rig, **changes: object) -> ShapedOptics:
    """Return the blur of a rig with five blades."""
    key = blur_of(with_lens(rig, blades=5, blade_angle_deg=8.0, **changes), pitch_um=15.6)
    assert isinstance(key, ShapedOptics)
    return key


@pytest.mark.parametrize("spherical_um", [0.0, 0.3])
def test_bases_keep_their_tolerance_on_both_sides_of_focus(field_rig, spherical_um):
    """Bands against the transfer itself, in green."""
    waves = ((0.61,), (0.54,), (0.46,))
    key = pentagon_key(replace(field_rig, wavelengths_um=waves), spherical_um=spherical_um)
    for band in bands_between(key, -4.5, 4.5):
        radius = band.side * 2.7
        if not band.holds(np.array([radius]))[0]:
            continue
        index = int(band.index_at(np.array([radius], np.float32))[0])
        basis = np.einsum("k,kcij->cij", band.weights[:, index], band.spectra)[1]
        length = band.spectra.shape[-2]
        # At half the sampling rate a wave is its own mirror.
        row, col = np.random.default_rng(2).integers(-31, 32, (200, 2)).T
        col = np.abs(col)
        f_y, f_x = row / length, col / length
        reduced = 2 * 0.54 * key.working_f_number / 15.6
        exact = pupil_otf(
            key.pupil,
            f_x * reduced,
            f_y * reduced,
            radius / key.radius_px_per_defocus_mm * 1e3 / 0.54,
            spherical_waves=spherical_um / 0.54,
        )
        frequency = np.hypot(f_x, f_y)
        wrong = np.abs(basis[row, col] - exact)
        assert (wrong <= 1.1e-3 * np.maximum(1, frequency / 0.06)).all()


def test_even_pupils_need_one_side(field_rig):
    """Six blades look alike from both sides, five do not; aberrations part them."""
    six = with_lens(field_rig, blades=6)
    assert blur_of(six, pitch_um=15.6).even
    assert not pentagon_key(field_rig).even
    assert not blur_of(with_lens(six, spherical_um=0.2), pitch_um=15.6).even
    band = exact_band(blur_of(six, pitch_um=15.6), 3.0)
    assert np.isrealobj(band.spectra)
    assert np.isrealobj(band.spectra_for((80, 64)))


@pytest.mark.parametrize(("blades", "cell"), [(0, False), (5, False), (5, True)])
def test_spectra_that_are_forgotten_are_freed(field_rig, blades, cell):
    """Those of a round pupil, of a polygon and of its cell: a device that lacks memory needs it."""
    key = blur_of(with_lens(field_rig, blades=blades), pitch_um=9.0)
    if cell:
        key = CellBlur(cut_pupil(4, key.pupil)[0], key.radius_px_per_defocus_mm)
    spectra = exact_band(key, 3.0).spectra_for((80, 64))
    held = weakref.ref(spectra if spectra.base is None else spectra.base)
    del spectra
    assert held() is not None
    forget_spectra()
    assert held() is None


def test_lenses_without_blades_have_the_keys_that_they_had(field_rig):
    """Nothing of a round pupil's blur is made another way."""
    for lens in ({}, {"blades": 7, "blade_roundness": 1.0}):
        assert blur_of(with_lens(field_rig, **lens), pitch_um=3.9) == optics_of(
            field_rig, pitch_um=3.9
        )


@pytest.mark.parametrize("count", [5, 16])
def test_cells_make_up_the_polygon(count):
    """Their kernels, each in its place, add up to the polygon's transfer without diffraction."""
    radius_px = 6.0
    cells = cut_pupil(count, diaphragm(5, angle_deg=8.0))
    assert sum(cell.share for cell in cells) == pytest.approx(1)
    # The grid of a cell's kernel, where it is no mirror of itself.
    row, col = np.random.default_rng(5).integers((-20, 0), (20, 20), (40, 2)).T
    f_y, f_x = row / 64 * radius_px, col / 64 * radius_px
    total = np.zeros(len(row), complex)
    for cell in cells:
        band = exact_band(CellBlur(cell, 1.0), radius_px)
        step = np.exp(-2j * np.pi * (f_x * cell.middle[0] + f_y * cell.middle[1]))
        total += cell.share * step * band.spectra[0, row, col]
    x, y = (axis[::4, ::4] for axis in grid())
    mask = inside(x, y, 5, 0.0, 8.0)
    wave = np.exp(-2j * np.pi * (f_x[:, None] * x[mask] + f_y[:, None] * y[mask]))
    np.testing.assert_allclose(total, wave.mean(axis=1), atol=3e-3)


def point(sheet, scene, z_mm: float):
    """Return a scene of one small bright spot on the axis."""
    spot = Outline(kind="rectangle", size_mm=(0.04, 0.04))
    return scene(sheet(outline=spot, centre_mm=(0.0, 0.0, z_mm), colour=(90.0,) * 3))


@pytest.mark.parametrize("quality", ["fast", Level("cells", cuts=((0.0, 7),))])
@pytest.mark.parametrize("z_mm", [-4.0, 5.0])
def test_a_point_far_out_of_focus_is_a_picture_of_the_pupil(rig, sheet, scene, z_mm, quality):
    """A pentagon: as it stands behind the plane of focus, upside down before it."""
    picture = render_view(
        point(sheet, scene, z_mm), with_lens(rig, blades=5, blade_angle_deg=8.0), quality=quality
    )[..., 1]
    radius_px = optics.blur_diameter_um(rig, z_mm) / 2 / rig.sensor.pitch_um
    down, across = (np.arange(n) + 0.5 - n / 2 for n in picture.shape)
    x, y = np.meshgrid(across / radius_px, down / radius_px)
    side = np.sign(z_mm)
    # What is two pixels and a half within the outline is full, what is as far without is dark.
    # Merged pixels ripple: a round disc has 0.92 to 1.15 within, -0.09 to 0.09 without.
    within, without = 1 - 2.5 / radius_px, 1 + 2.5 / radius_px
    for share, least, most in ((within, 0.78, 1.25), (without, -0.15, 0.15)):
        here = inside(side * x / share, side * y / share, 5, 0.0, 8.0)
        here = here if share < 1 else ~here
        light = picture[here] / picture.sum() * np.pi * radius_px**2
        assert least < light.min()
        assert light.max() < most
        assert np.sqrt(np.mean(np.square(light - (share < 1)))) < 0.08
    # What only the polygon has, and what only the polygon upside down has.
    own, turned = (inside(s * x, s * y, 5, 0.0, 8.0) for s in (side, -side))
    assert picture[own & ~turned].mean() > 2.5 * abs(picture[turned & ~own].mean())


@pytest.mark.parametrize("lens", [{"blades": 5}, {"blades": 8, "blade_roundness": 0.5}])
def test_light_through_focus_is_that_of_a_round_pupil(rig, sheet, scene, lens):
    """Equal areas let equal light through: the sum over a picture of a point, within 1e-4."""
    for z_mm in (-4.0, 0.0, 0.3, 2.0):
        made = point(sheet, scene, z_mm)
        plain, bladed = (
            render_view(made, one).sum(dtype=float) for one in (rig, with_lens(rig, **lens))
        )
        assert bladed == pytest.approx(plain, rel=1e-4)


def test_a_uniform_scene_stays_uniform(rig, sheet, scene):
    """One level everywhere is that level before and behind the plane of focus, edges and all."""
    bar = Outline(kind="rectangle", size_mm=(1.0, 9.0))
    made = scene(
        sheet("wall", centre_mm=(0.0, 0.0, 0.8)),
        sheet("bar", centre_mm=(0.0, 0.0, -0.6), outline=bar),
    )
    picture = render_view(made, with_lens(rig, blades=7, blade_roundness=0.3), quality="exact")
    np.testing.assert_allclose(picture, 0.5, atol=2e-3)


def test_bad_blades_are_refused(tmp_path):
    """An error names the key, what it got and what is allowed."""
    with pytest.raises(ValueError, match=r"blades: got 2, allowed 0 .* or 3"):
        diaphragm(2)
    with pytest.raises(ValueError, match=r"roundness: got 1\.5, allowed 0 to 1"):
        diaphragm(5, roundness=1.5)
    good = {"focal_length_mm": 60, "f_number": 5.6, "magnification": 1}
    for bad in ({"blades": 2}, {"blades": 25}, {"blade_roundness": -0.1}, {"blades": 5.5}):
        with pytest.raises(ValueError, match=next(iter(bad))):
            Lens(**good, **bad)
    text = "[lens]\nfocal_length_mm = 60.0\nf_number = 4.0\nmagnification = 1.0\nblades = 2\n"
    path = tmp_path / "two.toml"
    path.write_text(text + "[sensor]\nwidth_px = 9\nheight_px = 9\npitch_um = 4.0\n")
    with pytest.raises(DataFileError, match=r"two\.toml.*lens.*got 2, allowed 0 .* or 3 to 24"):
        load_rig(path)
    with pytest.raises(ValueError, match="finite"):
        pupil_otf(ROUND, 0.5, np.inf, 0.0)
