"""The thin lens with pupils, against published tables and against similar triangles."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacktruth.simulator import optics
from stacktruth.simulator.rig import Lens, Rig, Sensor, stopped_to


def make_rig(
    *,
    focal_length_mm: float = 65.0,
    f_number: float = 4.0,
    magnification: float = 2.0,
    pupil_ratio: float = 1.0,
) -> Rig:
    """Make a rig around a lens; the sensor has 4 um pixels."""
    lens = Lens(
        focal_length_mm=focal_length_mm,
        f_number=f_number,
        magnification=magnification,
        pupil_ratio=pupil_ratio,
    )
    return Rig(name="made", lens=lens, sensor=Sensor(width_px=6000, height_px=4000, pitch_um=4.0))


RIGS = st.builds(
    make_rig,
    focal_length_mm=st.floats(20.0, 200.0),
    f_number=st.floats(1.4, 32.0),
    magnification=st.floats(0.5, 6.0),
    pupil_ratio=st.floats(0.3, 2.0),
)


# --- published values -------------------------------------------------------------------------
# The tolerances are what the rounding of the published figure allows.


@pytest.mark.parametrize(
    ("magnification", "f_number", "published_mm", "rounding_mm"),
    [(1.0, 16.0, 2.24, 0.005), (5.0, 2.0**1.5, 0.048, 0.0006), (5.0, 16.0, 0.269, 0.0005)],
)
def test_depth_of_field_of_the_1_to_5_macro_lens(
    magnification, f_number, published_mm, rounding_mm
):
    """Total depth of field as in the maker's manual, 65 mm f/2.8 1-5x macro lens.

    The circle of 0.035 mm is from memory; it is the one that fits all three rows (and 2.8 must be
    read as the exact stop 2^1.5, from 0.0475 to the printed 0.048).
    """
    rig = make_rig(f_number=f_number, magnification=magnification)
    depth = optics.depth_of_field_mm(rig, blur_um=35.0)
    assert depth.total_mm == pytest.approx(published_mm, abs=rounding_mm)


@pytest.mark.parametrize(
    ("magnification", "published", "published_stops"),
    [(1, 5.6, 2.0), (2, 8.4, 10 / 3), (3, 11.2, 4.0), (4, 14.0, 14 / 3), (5, 16.8, 16 / 3)],
)
def test_effective_aperture_of_the_1_to_5_macro_lens(magnification, published, published_stops):
    """Effective f-number and exposure factor: maker's manual, 65 mm f/2.8 1-5x macro lens, p. 8.

    The exposure factor is printed in thirds of a stop.
    """
    assert optics.working_f_number(2.8, magnification) == pytest.approx(published, abs=1e-9)
    loss = optics.exposure_loss_stops(magnification)
    assert loss == pytest.approx(published_stops, abs=0.17)


@pytest.mark.parametrize(
    ("ratio", "published"),
    [
        (1.95, 2.37),
        (2.11, 2.23),
        (2.41, 2.03),
        (2.83, 1.84),
        (3.48, 1.64),
        (4.12, 1.52),
        (4.74, 1.43),
        (5.95, 1.33),
        (9.5, 1.20),
    ],
)
def test_exposure_factor_of_the_85_mm_macro_lens(ratio, published):
    """Exposure factor by reproduction ratio: maker's manual, 85 mm f/2.8 macro lens.

    The manual does not give the pupil ratio; with 1 the table is met within 4 %.
    """
    factor = 2.0 ** optics.exposure_loss_stops(1.0 / ratio)
    assert factor == pytest.approx(published, rel=0.04)


@pytest.mark.parametrize(
    ("ratio", "published", "pupil_ratio"),
    [(5.0, 3.6, 0.70), (3.0, 4.1, 0.72), (2.0, 4.6, 0.78), (1.5, 5.0, 0.85), (1.0, 5.9, 0.90)],
)
def test_effective_aperture_of_an_internal_focus_macro_lens(ratio, published, pupil_ratio):
    """Effective f-number by ratio, photographer's published table for a 100 mm f/2.8 macro lens.

    The pupil ratios are not published but implied by the table, so what is tested is that they
    run smoothly while a ratio of 1 misses every row by more than its rounding.
    """
    with_pupils = optics.working_f_number(2.8, 1.0 / ratio, pupil_ratio=pupil_ratio)
    assert with_pupils == pytest.approx(published, abs=0.05)
    assert abs(optics.working_f_number(2.8, 1.0 / ratio) - published) > 0.1


@pytest.mark.parametrize(("f_number", "published"), [(2.8, 12.1), (8.0, 34.7)])
def test_effective_aperture_at_a_stated_pupil_ratio(f_number, published):
    """Working f-number at 1:1, pupil ratio 0.30: a published forum statement on a 105 mm lens."""
    working = optics.working_f_number(f_number, 1.0, pupil_ratio=0.30)
    assert working == pytest.approx(published, abs=0.05)


def test_bellows_factor_of_the_textbook():
    """Exposure times 2.25 at m = 0.5: worked example of a photography textbook (Taylor & Francis).

    doi 10.4324/9780080494012.
    """
    assert 2.0 ** optics.exposure_loss_stops(0.5) == pytest.approx(2.25, abs=1e-12)


def test_metered_aperture_of_the_cinematography_textbook():
    """Metered f/8 at 1:2 is set as f/5.3: 'Cinematography: Theory and Practice'."""
    assert 8.0 / optics.working_f_number(1.0, 0.5) == pytest.approx(5.3, abs=0.05)


@pytest.mark.parametrize(
    ("aperture", "published_um", "rounding_um"), [(0.20, 29.4, 0.05), (0.55, 3.89, 0.005)]
)
def test_wave_depth_of_the_biophotonics_textbook(aperture, published_um, rounding_um):
    """'Biophotonics: Concepts to Applications', eq. 8.4, example 8.4: n 1.51, wavelength 0.78."""
    depth_mm = optics.wave_depth_mm(aperture, wavelength_um=0.78, refractive_index=1.51)
    assert 1000.0 * depth_mm == pytest.approx(published_um, abs=rounding_um)


def test_wave_depth_of_the_microscopy_page():
    """NA 0.10 in air has 55.5 um: a microscope maker's teaching page on depth of field.

    The wavelength is not printed beside the row, so 0.55 um is held to 1 %.
    """
    assert 1000.0 * optics.wave_depth_mm(0.10) == pytest.approx(55.5, rel=0.01)


# --- worked relations -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("focal_length_mm", "magnification", "pupil_ratio", "distance_mm"),
    [(100, 1, 1, 200), (65, 2, 1, 97.5), (40, 5, 1, 48), (100, 1, 0.5, 300)],
)
def test_pupil_distance_and_scale_change(focal_length_mm, magnification, pupil_ratio, distance_mm):
    """The distance by hand, and a 0.1 mm step scales a point by 0.1 / d to first order."""
    rig = make_rig(
        focal_length_mm=focal_length_mm, magnification=magnification, pupil_ratio=pupil_ratio
    )
    assert optics.focus_distance_mm(rig) == pytest.approx(distance_mm)
    assert optics.scale_change(rig, 0.1) == pytest.approx(0.1 / distance_mm, rel=0.003)
    assert optics.scale_change(rig, -0.1) == pytest.approx(-0.1 / distance_mm, rel=0.003)


def test_scale_change_is_perspective():
    """The image grows as the distance to the point shrinks: exact for a large step."""
    rig = make_rig(focal_length_mm=100.0, magnification=1.0)
    assert 1.0 + optics.scale_change(rig, 50.0) == pytest.approx(200.0 / 150.0, rel=1e-12)


@given(rig=RIGS, offset_mm=st.floats(-10.0, 10.0))
def test_blur_is_the_cone_cut_by_the_plane_of_focus(rig, offset_mm):
    """Similar triangles: the pupil seen from the point, cut at the plane of focus, times m."""
    distance = optics.focus_distance_mm(rig)
    pupil = 2.0 * optics.entrance_pupil_radius_mm(rig)
    cut_mm = pupil * abs(offset_mm) / (distance + offset_mm)
    expected_um = 1000.0 * rig.lens.magnification * cut_mm
    assert float(optics.blur_diameter_um(rig, offset_mm)) == pytest.approx(
        expected_um, rel=1e-9, abs=1e-9
    )


def test_blur_by_the_thin_lens_equation():
    """A symmetric lens, by image distances only: blur = |v - v'| D / v'."""
    rig = make_rig(focal_length_mm=50.0, f_number=2.8, magnification=1.5)
    u, v = 50.0 * (1.0 + 1.0 / 1.5), 50.0 * 2.5
    for offset_mm in (-2.0, 0.3, 5.0):
        image = 1.0 / (1.0 / 50.0 - 1.0 / (u + offset_mm))
        expected_um = 1000.0 * abs(v - image) * (50.0 / 2.8) / image
        assert float(optics.blur_diameter_um(rig, offset_mm)) == pytest.approx(
            expected_um, rel=1e-9
        )


@given(rig=RIGS, offset_mm=st.floats(-10.0, 10.0).filter(lambda mm: mm == 0 or abs(mm) > 1e-12))
def test_defocus_is_signed_and_linked_to_blur(rig, offset_mm):
    """Blur = 8 N_eff |W020|; farther is positive, nearer is negative."""
    path_mm = float(optics.defocus_mm(rig, offset_mm))
    blur_um = float(optics.blur_diameter_um(rig, offset_mm))
    assert 8000.0 * optics.rig_f_number(rig) * abs(path_mm) == pytest.approx(blur_um, rel=1e-9)
    assert np.sign(path_mm) == np.sign(offset_mm)


def test_defocus_by_path_lengths():
    """Rays from the point to axis and edge of the pupil, against those from the focus: 0.5 %."""
    rig = make_rig(f_number=5.6, magnification=1.0)
    distance, radius = optics.focus_distance_mm(rig), optics.entrance_pupil_radius_mm(rig)

    def sag(length_mm):
        return np.hypot(length_mm, radius) - length_mm

    for offset_mm in (-1.0, 0.2, 3.0):
        expected = sag(distance) - sag(distance + offset_mm)
        assert float(optics.defocus_mm(rig, offset_mm)) == pytest.approx(expected, rel=0.005)


@given(rig=RIGS, offset_mm=st.floats(-10.0, 10.0))
def test_the_cone_of_light_is_as_wide_as_the_blur_it_makes(rig, offset_mm):
    """Light from a point in focus at another depth: its circle's image is the blur there.

    Similar triangles: seen from the pupil, the circle at depth d + offset spans the angle that the
    blur on the sensor, brought back to the plane of focus, spans.
    """
    distance = optics.focus_distance_mm(rig)
    cone = optics.cone_radius_mm(rig, distance + offset_mm)
    blur_mm = 1e-3 * float(optics.blur_diameter_um(rig, offset_mm)) / rig.lens.magnification
    assert 2 * cone / (1 + offset_mm / distance) == pytest.approx(blur_mm, rel=1e-9, abs=1e-12)


@given(rig=RIGS, x_mm=st.floats(-5.0, 5.0))
def test_the_focal_length_in_pixels_puts_points_where_the_image_scale_does(rig, x_mm):
    """In the plane of focus a pinhole and the scale of the image agree (similar triangles)."""
    pinhole_px = optics.focal_length_px(rig, pitch_um=4.0) * x_mm / optics.focus_distance_mm(rig)
    assert pinhole_px == pytest.approx(optics.image_scale_px_per_mm(rig) * x_mm, rel=1e-12)


def test_a_curved_field_bends_by_the_sagitta_of_a_sphere():
    """Near the axis the surface in focus is a sphere of radius 1 / curvature, to 0.1 %."""
    flat = make_rig()
    rig = replace(flat, lens=replace(flat.lens, field_curvature_per_mm=0.02))
    for aside_mm in (0.5, 2.0, 3.0):
        tangent = aside_mm / optics.focus_distance_mm(rig)
        sagitta = 50.0 - np.sqrt(50.0**2 - aside_mm**2)
        assert optics.field_sag_mm(rig, tangent**2) == pytest.approx(sagitta, rel=1e-3)
    assert optics.field_sag_mm(flat, 0.01) == 0


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_defocus_without_checks_is_defocus(dtype):
    """The same numbers for points before the pupil, in the precision of what it is given."""
    rig = make_rig(pupil_ratio=0.8)
    offset = np.linspace(-5, 5, 11, dtype=dtype)
    found = optics.unchecked_defocus_mm(rig, offset)
    assert found.dtype == dtype
    np.testing.assert_allclose(found, optics.defocus_mm(rig, offset.astype(float)), rtol=1e-6)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_blur_keeps_shape_and_type(dtype):
    """An image of offsets gives an image of diameters of the same kind, and NaN stays NaN."""
    offset = np.linspace(-1, 1, 12, dtype=dtype).reshape(3, 4)
    offset[1, 2] = np.nan
    blur = optics.blur_diameter_um(make_rig(), offset)
    assert blur.shape == (3, 4)
    assert blur.dtype == dtype
    assert np.isnan(blur[1, 2])
    assert np.isnan(blur).sum() == 1


def test_integer_offsets_are_accepted():
    """Whole millimetres given as int are no special case."""
    rig = make_rig()
    assert np.array_equal(
        optics.blur_diameter_um(rig, np.array([0, 1])),
        optics.blur_diameter_um(rig, np.array([0.0, 1.0])),
    )


@given(rig=RIGS, blur_um=st.floats(1.0, 40.0))
def test_limits_of_depth_of_field_have_the_stated_blur(rig, blur_um):
    """Round trip: the blur at either limit is the allowed one, and far reaches beyond near."""
    depth = optics.depth_of_field_mm(rig, blur_um=blur_um)
    at_limits = optics.blur_diameter_um(rig, np.array([-depth.near_mm, depth.far_mm]))
    assert np.allclose(at_limits, blur_um, rtol=1e-9)
    assert depth.far_mm > depth.near_mm > 0.0


def test_depth_of_field_from_the_hyperfocal_setting_on():
    """A wide criterion reaches to infinity on the far side only."""
    rig = make_rig(f_number=32.0, magnification=0.02, focal_length_mm=20.0)
    depth = optics.depth_of_field_mm(rig, blur_um=100.0)
    assert depth.far_mm == np.inf
    assert 0.0 < depth.near_mm < optics.focus_distance_mm(rig)


def test_quarter_wave_depth_leaves_a_quarter_wave_at_its_ends():
    """Half the total depth to either side gives 0.25 waves at the edge of the pupil."""
    rig = make_rig()
    half_mm = 0.5 * optics.quarter_wave_depth_mm(rig, wavelength_um=0.5)
    waves = optics.defocus_mm(rig, np.array([-half_mm, half_mm])) / 0.5e-3
    assert np.allclose(waves, [-0.25, 0.25], rtol=1e-3)


def test_aperture_two_ways():
    """The formula m / (2 N_eff) equals the pupil's radius over its distance, the paraxial cone."""
    rig = make_rig(pupil_ratio=0.7)
    cone = optics.entrance_pupil_radius_mm(rig) / optics.focus_distance_mm(rig)
    assert optics.rig_aperture(rig) == pytest.approx(cone, rel=1e-12)


# --- refocusing and scale ---------------------------------------------------------------------


@given(rig=RIGS, focus_mm=st.floats(-4.0, 20.0))
def test_refocusing_moves_the_plane_and_not_the_pupil(rig, focus_mm):
    """The plane of focus moves by what was asked; the pupil's size stays; the way back is exact."""
    moved = optics.refocused(rig, focus_mm=focus_mm)
    moved_by = optics.focus_distance_mm(moved) - optics.focus_distance_mm(rig)
    assert moved_by == pytest.approx(focus_mm, abs=1e-9)
    assert optics.entrance_pupil_radius_mm(moved) == optics.entrance_pupil_radius_mm(rig)
    back = optics.refocused(moved, focus_mm=-focus_mm)
    assert back.lens.magnification == pytest.approx(rig.lens.magnification, rel=1e-9)


def test_refocusing_by_nothing_changes_nothing():
    """A lens left alone is exactly itself."""
    rig = make_rig(magnification=3.0, focal_length_mm=41.3)
    assert optics.refocused(rig, focus_mm=0.0) == rig


def test_refocusing_by_the_thin_lens_equation():
    """A symmetric lens from 1:1 to 20 mm farther: 1/u + 1/v = 1/f gives m = f / (u - f)."""
    moved = optics.refocused(make_rig(focal_length_mm=50.0, magnification=1.0), focus_mm=20.0)
    assert moved.lens.magnification == pytest.approx(50.0 / (120.0 - 50.0), rel=1e-12)


def test_image_scale():
    """2:1 on 4 um pixels is 500 px per mm; focusing farther makes it smaller."""
    rig = make_rig()
    assert optics.image_scale_px_per_mm(rig) == pytest.approx(500.0, rel=1e-12)
    farther = optics.image_scale_px_per_mm(rig, focus_mm=5.0)
    assert farther == pytest.approx(250.0 * optics.refocused(rig, focus_mm=5.0).lens.magnification)
    assert farther < 500.0


def test_closing_the_aperture_closes_the_blur():
    """Towards a pinhole the blur goes to nothing in proportion."""
    wide, small = make_rig(f_number=2.0), stopped_to(make_rig(), 2000.0)
    ratio = optics.blur_diameter_um(wide, 1.0) / optics.blur_diameter_um(small, 1.0)
    assert float(ratio) == pytest.approx(1000.0, rel=1e-9)


# --- bad input --------------------------------------------------------------------------------


@pytest.mark.parametrize("bad", [-2.8, 0.0, float("nan"), float("inf")])
def test_bad_lens_values_are_named(bad):
    """Each function names the value that is wrong and shows it."""
    with pytest.raises(ValueError, match=rf"f_number must be finite and > 0, got {bad}"):
        optics.working_f_number(bad, 1.0)
    with pytest.raises(ValueError, match="magnification must be finite and > 0"):
        optics.numerical_aperture(2.8, bad)
    with pytest.raises(ValueError, match="pupil_ratio must be finite and > 0"):
        optics.exposure_loss_stops(1.0, pupil_ratio=bad)
    with pytest.raises(ValueError, match="focal_length_mm must be finite and > 0"):
        optics.pupil_distance_mm(bad, 1.0)
    with pytest.raises(ValueError, match="blur_um must be finite and > 0"):
        optics.depth_of_field_mm(make_rig(), blur_um=bad)
    with pytest.raises(ValueError, match="wavelength_um must be finite and > 0"):
        optics.quarter_wave_depth_mm(make_rig(), wavelength_um=bad)


def test_aperture_above_the_refractive_index_is_refused():
    """A sine cannot exceed 1."""
    with pytest.raises(ValueError, match=r"at most the refractive index 1, got 1\.2"):
        optics.wave_depth_mm(1.2)


@pytest.mark.parametrize("bad", [-97.5, -200.0, np.inf])
def test_offsets_in_the_camera_are_refused(bad):
    """A point in or behind the entrance pupil, or at infinity, has no blur to speak of."""
    with pytest.raises(ValueError, match=r"offset_mm must be finite and > -97\.5"):
        optics.blur_diameter_um(make_rig(), np.array([0.0, np.nan, bad]))
    with pytest.raises(ValueError, match="offset_mm must be"):
        optics.defocus_mm(make_rig(), bad)


@pytest.mark.parametrize("bad", [-32.5, -50.0, float("nan"), float("inf")])
def test_focus_nearer_than_the_lens_can_is_refused(bad):
    """At the front focal plane (f/m = 32.5 mm nearer) the image goes to infinity."""
    with pytest.raises(ValueError, match=r"focus_mm must be finite and > -32\.5"):
        optics.refocused(make_rig(), focus_mm=bad)


@pytest.mark.parametrize("bad", [97.5, 100.0, float("nan"), -float("inf")])
def test_steps_past_the_subject_are_refused(bad):
    """The camera cannot step through the plane of focus."""
    with pytest.raises(ValueError, match=r"step_mm must be finite and < 97\.5"):
        optics.scale_change(make_rig(), bad)


def test_depth_of_field_is_a_value():
    """Frozen, comparable, changed by replace."""
    depth = optics.DepthOfField(near_mm=1.0, far_mm=2.0)
    assert replace(depth, far_mm=3.0).total_mm == 4.0
    with pytest.raises(AttributeError, match="near_mm"):
        depth.near_mm = 5.0
