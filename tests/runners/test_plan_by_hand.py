"""Two photographs' worth of advice worked out by hand, with the formulae of the handbooks.

Effective f-number N (1 + m) and depth of field 2 N c (1 + m) / m^2, for a symmetric lens, are the
makers' own: the manual of a 65 mm 1-5x macro lens prints f/16.8 at f/2.8 and 5:1, and + 5 1/3 stops
there. The circle of 30 um on 36 mm is that of a print 24 cm wide, seen from 25 cm (0.2 mm at 25
cm: common practice, no source). Depth of a quarter wave: lambda / NA^2 (microscope makers' pages).
"""

from dataclasses import replace
from math import ceil

import numpy as np
import pytest

from stacktruth.runners.plan import Setting, sharpness_for
from stacktruth.runners.plan.advise.depth_of_field import depth_figures
from stacktruth.runners.plan.draw.way import regular_pass
from stacktruth.runners.plan.show.patch import step_patches
from stacktruth.simulator.handling.hands import load_stance
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.handling.sway import load_subject
from stacktruth.simulator.optics import exposure_loss_stops
from stacktruth.simulator.rig import Lens, Rig, Sensor
from tests.runners.lens_stacks import hopkins_series


def full_frame(*, magnification, f_number, focal_length_mm):
    """Return a sensor of 36 x 24 mm behind a symmetric lens; its green is 0.55 um."""
    return Rig(
        name="full frame",
        lens=Lens(focal_length_mm=focal_length_mm, f_number=f_number, magnification=magnification),
        sensor=Sensor(width_px=9000, height_px=6000, pitch_um=4.0),
        wavelengths_um=((0.61,), (0.55,), (0.46,)),
    )


def on_a_rail(rig, *, depth_mm):
    """Return the setting of a stepped pass for a print 24 cm wide, a third of overlap."""
    return Setting(
        rig=rig,
        stance=load_stance("stepped"),
        light=load_light("steady-lamp"),
        subject=load_subject("still"),
        depth_mm=depth_mm,
        sharpness=sharpness_for("print", rig.sensor, width_cm=24.0),
        overlap=1 / 3,
    )


def check(setting, *, effective, stops, depth_of_field_mm, quarter_wave_mm, frames):
    """Compare a setting with numbers worked out on paper to the digits that they have there."""
    rig = setting.rig
    figures = depth_figures(rig, setting.sharpness)
    assert setting.sharpness.blur_px * rig.sensor.pitch_um == pytest.approx(30.0)
    assert setting.working_f_number == pytest.approx(effective, abs=0.05)
    assert exposure_loss_stops(rig.lens.magnification) == pytest.approx(stops, abs=0.17)
    assert figures.geometric_mm == pytest.approx(depth_of_field_mm, rel=0.005)
    assert figures.quarter_wave_mm == pytest.approx(quarter_wave_mm, rel=0.005)
    way = regular_pass(setting.goal)
    assert way.frames == frames
    # Evenly spread over the depth, by no longer a step than overlap allows.
    assert way.approach.step_mm <= depth_of_field_mm * 2 / 3 * 1.005
    assert way.approach.step_mm * (way.frames - 1) >= setting.depth_mm - depth_of_field_mm


def test_life_size_at_f8_on_full_frame():
    """A beetle 6 mm deep, 100 mm lens, 1:1, f/8.

    Effective f-number  8 (1 + 1) = 16                          light lost  2 log2 2 = 2 stops
    Depth of field      2 x 8 x 0.030 x (1 + 1) / 1 = 0.96 mm
    Aperture            NA = 1 / (2 x 16) = 0.03125;            0.00055 / 0.03125^2 = 0.563 mm
    Step                two thirds of 0.96 = 0.64 mm
    Frames              6 / 0.64 = 9.4, so 10 steps, 11 frames
    """
    rig = full_frame(magnification=1.0, f_number=8.0, focal_length_mm=100.0)
    assert ceil(6 / 0.64) + 1 == 11
    check(
        on_a_rail(rig, depth_mm=6.0),
        effective=16.0, stops=2.0, depth_of_field_mm=0.96, quarter_wave_mm=0.563, frames=11,
    )  # fmt: skip


def test_five_times_life_size_at_f2_8_on_full_frame():
    """A springtail 0.5 mm deep, 65 mm lens, 5:1, f/2.8.

    Effective f-number  2.8 (1 + 5) = 16.8 (manual: 16.8)       light lost  2 log2 6 = 5.17 stops
    Depth of field      2 x 2.8 x 0.030 x 6 / 25 = 0.0403 mm    (manual's: + 5 1/3)
    Aperture            NA = 5 / (2 x 16.8) = 0.1488;           0.00055 / 0.1488^2 = 0.0248 mm
    Step                two thirds of 0.0403 = 0.0269 mm
    Frames              0.5 / 0.0269 = 18.6, so 19 steps, 20 frames
    """
    rig = full_frame(magnification=5.0, f_number=2.8, focal_length_mm=65.0)
    setting = on_a_rail(rig, depth_mm=0.5)
    check(
        setting,
        effective=16.8, stops=5 + 1 / 3, depth_of_field_mm=0.0403, quarter_wave_mm=0.0248,
        frames=20,
    )  # fmt: skip
    # The edge of that depth is 30 / (8 x 16.8 x 0.55) = 0.41 waves out: both kinds of blur count.
    assert depth_figures(rig, setting.sharpness).edge_waves == pytest.approx(0.406, abs=0.005)


def test_a_wider_print_asks_for_a_smaller_circle():
    """48 cm instead of 24 halves the circle, and so the depth of field: 0.48 mm at 1:1, f/8."""
    rig = full_frame(magnification=1.0, f_number=8.0, focal_length_mm=100.0)
    wide = replace(
        on_a_rail(rig, depth_mm=6.0), sharpness=sharpness_for("print", rig.sensor, width_cm=48.0)
    )
    assert wide.lane.total_mm == pytest.approx(0.48, rel=0.005)


def test_the_rendered_patches_lose_what_the_blur_disc_takes():
    """A coarser step shows less fine detail, by about what the transfer function says.

    The contrast of the finest eighth of the frequencies, midway between two frames, against that
    in focus; the transfer is Hopkins', at the mean of those frequencies.
    """
    rig = full_frame(magnification=2.0, f_number=4.0, focal_length_mm=60.0)
    sharp = sharpness_for("crop100", rig.sensor)
    step_mm = 0.08
    patches = step_patches(rig, step_mm=step_mm, sharpness=sharp)
    assert [patch.step_mm for patch in patches] == pytest.approx([0, 0.04, 0.08, 0.16])
    contrast = [fine_contrast(patch.image[..., 1]) for patch in patches]
    assert contrast == sorted(contrast, reverse=True)
    offset = step_mm / 2
    waves = offset * 1e3 * (2.0 / (2 * 12.0)) ** 2 / 2 / 0.55
    reduced = 0.2 * 2 * 0.55 * 12.0 / 4.0
    lost = float(hopkins_series(reduced, waves) / hopkins_series(reduced, 0.0))
    # The leaf is not flat within the patch, and its frequencies are not one.
    assert contrast[2] / contrast[0] == pytest.approx(lost, abs=0.15)


def fine_contrast(image):
    """Return the rms of what has 0.15 to 0.25 cycles per pixel, in the middle of a picture."""
    middle = image[24:-24, 24:-24]
    window = np.hanning(len(middle))
    power = np.abs(np.fft.fft2((middle / middle.mean() - 1) * np.outer(window, window))) ** 2
    f = np.hypot(np.fft.fftfreq(len(middle))[:, None], np.fft.fftfreq(len(middle)))
    return float(np.sqrt(power[(f > 0.15) & (f < 0.25)].mean()))
