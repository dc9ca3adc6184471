"""The lens in the plan: three depths of field, the wanted sharpness, and the f-number."""

from dataclasses import replace
from itertools import pairwise

import pytest

from stacktruth.runners.plan import blur_limit, contrast_limit, sharpness_for
from stacktruth.runners.plan.advise.aperture import (
    DETAIL_CONTRAST,
    THIRD_STOPS,
    detail_contrast,
    engraved,
    softest_f_number,
)
from stacktruth.runners.plan.advise.depth_of_field import depth_figures
from stacktruth.runners.plan.draw.sharpness import lane_of
from stacktruth.simulator import load_rig
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
    figures = depth_figures(rig(1, 0.5), blur_limit(30 / rig().sensor.pitch_um))
    assert figures.edge_waves > 5
    assert figures.contrast_mm == pytest.approx(figures.geometric_mm, rel=0.02)
    assert "defocus rules" in figures.reason


@pytest.mark.parametrize(
    ("f_number", "words"),
    [(5.6, "of one size"), (16, "Diffraction rules")],
)
def test_the_reason_names_what_rules(f_number, words):
    """Which of defocus and diffraction rules goes with the waves at the geometric limit."""
    assert words in depth_figures(rig(2, f_number), blur_limit(30 / rig().sensor.pitch_um)).reason


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


@pytest.mark.parametrize(
    ("use", "width_cm", "sensor_mm", "circle_um"),
    [
        ("print", 24.0, 36.0, 30.0),  # the trade's usual 30 um: common practice, no source
        ("print", 24.0, 18.0, 15.0),  # half the sensor, half the circle
        ("print", 60.0, 36.0, 12.0),
        ("screen", None, 36.0, 28.8),  # the width over 1250: 0.2 mm at 25 cm, seen from a width
        ("crop100", None, 36.0, 8.0),  # two pixels
        ("print", 300.0, 36.0, 8.0),  # no finer than the pixels
    ],
)
def test_the_circle_of_confusion_goes_with_use_and_sensor(use, width_cm, sensor_mm, circle_um):
    """0.2 mm on the print over the enlargement: common practice, no source."""
    sensor = replace(rig().sensor, pitch_um=4.0, width_px=round(sensor_mm / 4e-3))
    found = sharpness_for(use, sensor, width_cm=width_cm)
    assert found.blur_px * 4.0 == pytest.approx(circle_um)
    assert found.measured_by == "blur"


@pytest.mark.parametrize(("use", "width_cm"), [("print", None), ("screen", 30.0)])
def test_a_print_has_a_width_and_nothing_else_has(use, width_cm):
    """What cannot be meant is refused."""
    with pytest.raises(ValueError, match="a print needs its width"):
        sharpness_for(use, rig().sensor, width_cm=width_cm)


def test_the_limit_opens_up_as_magnification_grows():
    """Common practice, no source: f/4 to f/8 at 1:1, f/2.8 to f/5.6 at 3:1 to 5:1."""
    softest = [softest_f_number(rig(m)) for m in (1, 2, 3, 4, 5)]
    assert all(narrower > wider for narrower, wider in pairwise(softest))
    assert 4 <= softest[0] <= 9
    assert all(2.8 <= number <= 5.6 for number in softest[2:])
    assert set(softest) <= set(THIRD_STOPS)
    assert all(
        detail_contrast(rig(m), number) >= DETAIL_CONTRAST
        for m, number in zip((1, 2, 3, 4, 5), softest, strict=True)
    )


def test_computed_f_numbers_are_named_as_engraved():
    """A stop from f/8 is f/5.6 and f/11, from f/2.8 it is f/2, which this scale has not."""
    assert [engraved(8 * 2**half) for half in (-0.5, 0.5)] == [5.6, 11.0]
    assert engraved(2.0) == 2.0


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
