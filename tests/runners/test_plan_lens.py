"""The lens in the plan: three depths of field, the wanted sharpness, and the f-number."""

from dataclasses import replace
from itertools import pairwise

import pytest

from stacktruth.runners.plan import Setting, blur_limit, contrast_limit, print_sharpness
from stacktruth.runners.plan.advise.aperture import (
    THIRD_STOPS,
    advised_f_number,
    aperture_table,
)
from stacktruth.runners.plan.advise.depth_of_field import depth_figures
from stacktruth.runners.plan.draw.sharpness import lane_of
from stacktruth.runners.plan.draw.way import regular_pass
from stacktruth.simulator import load_rig
from stacktruth.simulator.handling.hands import load_stance
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.handling.sway import load_subject
from stacktruth.simulator.transfer import disc_otf


def rig(magnification=1.0, f_number=5.6, *, focal_length_mm=65.0):
    """Return the field sensor behind another lens."""
    base = load_rig("field-2x")
    lens = replace(
        base.lens,
        magnification=magnification,
        f_number=f_number,
        focal_length_mm=focal_length_mm,
    )
    return replace(base, lens=lens)


def setting(lens, *, depth_mm=2.0, stance="braced"):
    """Return a braced setting with a quick flash."""
    return Setting(
        rig=lens,
        stance=load_stance(stance),
        light=load_light("flash-128th"),
        subject=load_subject("still"),
        depth_mm=depth_mm,
        sharpness=print_sharpness(lens),
    )


def table_of(asked, *, frames, passes, own):
    """Return the f-numbers of a setting, each planned in one pass."""
    return aperture_table(
        asked.rig,
        asked.sharpness,
        asked.rehearse(frames=frames, passes=passes),
        chance=asked.chance,
        own=own,
        pass_counts=(1,),
    )


@pytest.mark.parametrize(
    ("magnification", "f_number", "published_mm", "rounding"),
    [(1, 16, 2.24, 0.005), (5, 2**1.5, 0.048, 0.0006), (5, 16, 0.269, 0.0006)],
)
def test_the_geometric_figure_is_the_makers(magnification, f_number, published_mm, rounding):
    """Depths of field of a 65 mm f/2.8 1-5x macro lens (maker's manual).

    Its blur limit, 0.035 mm, is from memory; it is the one that fits all rows.
    """
    lens = rig(magnification, f_number)
    figures = depth_figures(lens, blur_limit(35 / lens.sensor.pitch_um))
    assert figures.geometric_mm == pytest.approx(published_mm, abs=rounding)


def test_the_quarter_wave_figure_is_that_of_a_microscope_page():
    """An objective of NA 0.10 has 55.5 um (microscope maker's page; lambda / NA^2 at 0.555 um)."""
    lens = rig(1, 2.5)  # NA = m / (2 N (1 + m)) = 0.1
    lens = replace(lens, wavelengths_um=((0.61,), (0.555,), (0.46,)))
    figures = depth_figures(lens, blur_limit(3))
    assert figures.quarter_wave_mm == pytest.approx(0.0555, rel=1e-9)


def test_without_diffraction_the_contrast_figure_is_the_geometric_one():
    """At a wide aperture defocus rules, and both figures ask for the same."""
    figures = depth_figures(rig(1, 0.5), print_sharpness(rig()))
    assert figures.edge_waves > 5
    assert figures.contrast_mm == pytest.approx(figures.geometric_mm, rel=0.02)
    assert "defocus rules" in figures.reason


@pytest.mark.parametrize(
    ("f_number", "words"),
    [(5.6, "of one size"), (16, "Diffraction rules")],
)
def test_the_reason_names_what_rules(f_number, words):
    """Which of defocus and diffraction rules goes with the waves at the geometric limit."""
    assert words in depth_figures(rig(2, f_number), print_sharpness(rig())).reason


def test_detail_that_diffraction_wipes_out_has_no_depth():
    """Beyond the cut-off no depth holds the detail, and the reason says so."""
    figures = depth_figures(rig(5, 16), blur_limit(3))
    assert figures.contrast_mm is None
    assert "wipes out" in figures.reason


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_blur_and_contrast_say_the_same_of_a_disc(share):
    """The blur disc that a contrast limit stands for leaves just that contrast."""
    wanted = contrast_limit(share, frequency_cy_per_px=0.2)
    assert float(disc_otf(0.2, wanted.blur_px)) == pytest.approx(share, abs=1e-9)
    back = blur_limit(wanted.blur_px)
    assert float(disc_otf(back.frequency_cy_per_px, wanted.blur_px)) == back.contrast_share


def test_the_lane_follows_what_was_asked_for():
    """A blur limit lays the geometric lane, a contrast limit the one with diffraction."""
    lens = rig(2, 5.6)
    figures = depth_figures(lens, blur_limit(5))
    assert lane_of(lens, blur_limit(5)).total_mm == figures.geometric_mm
    asked = contrast_limit(0.6, frequency_cy_per_px=0.1)
    assert lane_of(lens, asked).total_mm == depth_figures(lens, asked).contrast_mm


def test_the_usual_print_limit_is_thirty_micrometres():
    """Common practice, no source: a blur disc of 30 um on the sensor."""
    assert print_sharpness(rig()).blur_px * rig().sensor.pitch_um == pytest.approx(30)


def test_the_advice_opens_up_as_magnification_grows():
    """Common practice, no source: f/4 to f/8 at 1:1, f/2.8 to f/5.6 at 3:1 to 5:1."""
    advised = [advised_f_number(rig(m)) for m in (1, 2, 3, 4, 5)]
    assert all(narrower > wider for narrower, wider in pairwise(advised))
    assert 4 <= advised[0] <= 9
    assert all(2.8 <= number <= 5.6 for number in advised[2:])
    assert set(advised) <= set(THIRD_STOPS)


def test_stopping_down_costs_contrast_and_saves_frames():
    """Down the table frames fall, depth grows with the f-number, and fine detail fades."""
    asked = setting(rig(1.5, 5.6), stance="stepped")
    rows = table_of(asked, frames=128, passes=20, own=regular_pass(asked.goal))
    frames = [row.total_frames for row in rows]
    assert None not in frames
    assert frames == sorted(frames, reverse=True)
    assert frames[0] > 2 * frames[-1]
    contrasts = [row.detail_contrast for row in rows]
    assert contrasts == sorted(contrasts, reverse=True)
    for row in rows:
        assert row.depth_of_field_mm == pytest.approx(
            rows[0].depth_of_field_mm * row.f_number / rows[0].f_number, rel=1e-3
        )
        assert row.working_f_number == pytest.approx(2.5 * row.f_number)
    assert [row.advised for row in rows].count(True) == 1


def test_an_f_number_that_hides_the_detail_is_a_row_without_depth():
    """Where the lens no longer shows the detail asked for, the row says so and stays."""
    lens = rig(5, 2.8)
    asked = replace(setting(lens), sharpness=contrast_limit(0.5, frequency_cy_per_px=0.2))
    rows = table_of(asked, frames=20, passes=50, own=None)
    assert rows[-1].depth_of_field_mm is None
    assert rows[-1].total_frames is None
    assert rows[-1].detail_contrast == 0


@pytest.mark.parametrize("blur_px", [0.0, -1.0, float("nan")])
def test_a_blur_that_is_none_is_refused(blur_px):
    """A blur limit is a positive number of pixels."""
    with pytest.raises(ValueError, match="blur_px must be finite and > 0"):
        blur_limit(blur_px)


def test_contrast_limits_out_of_range_are_refused():
    """Share and frequency lie inside their ranges."""
    with pytest.raises(ValueError, match="contrast_share must be > 0 and < 1"):
        contrast_limit(1.0, frequency_cy_per_px=0.2)
    with pytest.raises(ValueError, match=r"frequency_cy_per_px must be > 0 and <= 0\.5"):
        contrast_limit(0.5, frequency_cy_per_px=0.6)
