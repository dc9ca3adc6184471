"""Motion during an exposure: its transfer, its direction, and what it does to pictures."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from stacktruth.simulator import Pose
from stacktruth.simulator.blur.smear import (
    STILL_PX,
    Path,
    exposed,
    image_speed_px_per_s,
    rolled,
    smear_of,
    smeared,
)
from stacktruth.simulator.handling.flash import fire
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.view.camera import Camera

LAMP = load_light("steady-lamp")
FLASH = load_light("flash-sixteenth")
FREQUENCY = np.fft.rfftfreq(64)


def along(length_px, *, direction=(0.0, 1.0), samples=400):
    """Return a steady motion of a length."""
    place = ((np.arange(samples) + 0.5) / samples - 0.5) * length_px
    return Path(np.outer(place, direction), np.full(samples, 1 / samples))


def jitter(sigma_px, samples=400):
    """Return places across with the quantiles of a bell, all of one weight."""
    place = sigma_px * norm.ppf((np.arange(samples) + 0.5) / samples)
    return Path(np.stack([0 * place, place], axis=1), np.full(samples, 1 / samples))


@pytest.fixture(scope="module")
def noise():
    """Give a picture with detail of all frequencies."""
    return np.random.default_rng(4).uniform(0.2, 0.8, (64, 256, 3)).astype(np.float32)


# ---- transfer ---------------------------------------------------------------------------------


@pytest.mark.parametrize("length_px", [1.5, 4.0, 9.0])
def test_a_steady_motion_has_the_transfer_sinc(length_px):
    """Uniform smear of length L along u: sinc(u L) (textbooks, from memory); across it nothing."""
    transfer = along(length_px).transfer((64, 64))
    assert transfer[0] == pytest.approx(np.sinc(FREQUENCY * length_px), abs=1e-4)
    assert transfer[:, 0] == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("sigma_px", [0.5, 1.2])
def test_random_jitter_has_the_transfer_of_a_bell(sigma_px):
    """Random motion of rms sigma: exp(-2 pi^2 u^2 sigma^2) (Johnson, Appl. Opt. 32, 6503, 1993)."""
    transfer = jitter(sigma_px).transfer((64, 64))
    assert transfer[0] == pytest.approx(np.exp(-2 * (np.pi * FREQUENCY * sigma_px) ** 2), abs=4e-3)
    assert jitter(sigma_px).rms_px == pytest.approx(sigma_px, rel=0.01)


def test_rms_of_a_steady_motion():
    """A length L has the rms L / sqrt(12), in any direction."""
    assert along(6.0, direction=(0.6, 0.8)).rms_px == pytest.approx(6 / np.sqrt(12), rel=1e-4)


def test_merged_pixels_see_the_same_motion():
    """On merged pixels a frequency of the picture has the transfer that it has on single ones."""
    path = Path(np.array([[2.0, -3.0], [-1.0, 5.0], [0.5, 0.0]]), np.array([0.2, 0.3, 0.5]))
    fine, coarse = path.transfer((64, 128)), path.transfer((16, 32), 4)
    assert coarse[:8, :16] == pytest.approx(fine[:8, :16], abs=1e-6)
    assert coarse[-8:, :16] == pytest.approx(fine[-8:, :16], abs=1e-6)


def test_reach_covers_the_whole_path():
    """Light is followed as far as the motion goes, up to what a lost frame may cost."""
    assert along(9.0).reach_px == 5
    assert along(0.0).reach_px == 0
    assert along(1e5).reach_px == 256


# ---- pictures ---------------------------------------------------------------------------------


def contrast_left(picture, path):
    """Return the transfer that a picture's rows show between before and after, complex."""
    inner = (slice(None), slice(64, 192))
    window = np.hanning(128)
    before, after = (
        np.fft.rfft(image[inner].mean(axis=2) * window, axis=1)
        for image in (picture, smeared(picture, path))
    )
    return (after * before.conj()).sum(axis=0) / (np.abs(before) ** 2).sum(axis=0)


def test_noise_smeared_along_loses_contrast_as_sinc(noise):
    """Cross-spectrum of the smeared picture with the sharp one, row by row."""
    frequency = np.fft.rfftfreq(128)[2:]
    got = contrast_left(noise, along(5.0))[2:]
    assert got.real == pytest.approx(np.sinc(5 * frequency), abs=0.06)
    assert np.abs(got.imag).max() < 0.06


def test_noise_jittered_loses_contrast_as_a_bell(noise):
    """The same for random motion."""
    frequency = np.fft.rfftfreq(128)[2:]
    got = contrast_left(noise, jitter(1.0))[2:]
    assert got.real == pytest.approx(np.exp(-2 * (np.pi * frequency) ** 2), abs=0.06)


def test_an_edge_smeared_across_becomes_a_ramp():
    """A step becomes a ramp as long as the motion, its middle where the step was."""
    step = np.zeros((32, 64, 3), np.float32)
    step[:, 32:] = 1.0
    got = smeared(step, along(8.0))[16, :, 1]
    ramp = np.clip((np.arange(64) + 0.5 - 32) / 8 + 0.5, 0, 1)
    assert got == pytest.approx(ramp, abs=0.03)
    assert smeared(step, along(8.0, direction=(1.0, 0.0))) == pytest.approx(step, abs=1e-5)


def test_light_goes_where_the_picture_went(noise):
    """A picture that spent all its time 3 px lower and 5 px farther right lies there."""
    there = Path(np.array([[3.0, 5.0]]), np.ones(1))
    got = smeared(noise, there)
    assert got[10:, 10:] == pytest.approx(np.roll(noise, (3, 5), (0, 1))[10:, 10:], abs=1e-5)


def test_brightness_is_kept_up_to_the_edge(noise):
    """A plain picture stays plain; a picture's light stays in it, its edges mirrored."""
    plain = np.full((20, 30, 3), 0.4, np.float32)
    path = along(11.0, direction=(0.6, 0.8))
    assert smeared(plain, path) == pytest.approx(0.4, abs=1e-4)
    assert smeared(noise, path).mean() == pytest.approx(noise.mean(), rel=2e-3)


def test_a_still_picture_is_left_alone(noise):
    """Motion below a fiftieth of a pixel changes nothing, not even in the last digit."""
    still = along(STILL_PX)
    assert still.still
    assert smeared(noise, still) is noise
    assert not along(4 * STILL_PX).still


# ---- what moves, and which way ----------------------------------------------------------------


def moving(rates):
    """Return a stand-in for hands that move at steady rates: three in mm/s, three in mrad/s."""
    rates = np.array(rates, dtype=float)
    return SimpleNamespace(
        track=lambda times, frames=None: np.outer(np.atleast_1d(times), rates),
        velocity=lambda times: np.tile(rates, (np.size(times), 1)),
    )


def swaying(*rates_mm_per_s):
    """Return a stand-in for a subject that moves at a steady rate."""
    return SimpleNamespace(track=lambda times: np.outer(times, rates_mm_per_s))


def smear_in(rig, hands, subject, light=LAMP):
    """Return the smear of a first frame."""
    flash = fire(light, 1, seed=0, scene="test")[0]
    return smear_of(light, flash, hands, subject, Camera(rig), frame=0)


STILL_HANDS, STILL_SUBJECT = moving([0] * 6), swaying(0.0, 0.0, 0.0)
RATES = ([2, 0, 0, 0, 0, 0], [0, -3, 0, 0, 0, 0], [0, 0, 0, 20, 0, 0], [0, 0, 0, 0, -30, 0])


@pytest.mark.parametrize("rates", RATES)
def test_shake_is_the_path_of_the_axis_point_s_image(rig, rates):
    """The picture moves as the camera of each moment projects the point in focus on the axis."""
    places = []
    for time in (0.0, LAMP.exposure_s):
        x, y, z, pitch, yaw, roll = np.array(rates) * time
        pose = Pose(x_mm=x, y_mm=y, z_mm=z, pitch_mrad=pitch, yaw_mrad=yaw, roll_mrad=roll)
        places.append(np.array(Camera(rig, pose).project((0, 0, 0))[:2]))
    shake = smear_in(rig, moving(rates), STILL_SUBJECT).shake.shift_px[
        1:
    ]  # the first has no weight
    samples = len(shake)
    assert (shake[-1] - shake[0]) * samples / (samples - 1) == pytest.approx(
        places[1] - places[0], abs=2e-3
    )


@pytest.mark.parametrize("rates", RATES)
def test_the_picture_s_speed_is_that_of_the_shake(rig, rates):
    """Speed times the exposure is the length of the path."""
    speed = np.array(image_speed_px_per_s(moving(rates), Camera(rig), 0.0))
    shake = smear_in(rig, moving(rates), STILL_SUBJECT).shake
    length = np.linalg.norm(speed) * LAMP.exposure_s
    assert shake.rms_px == pytest.approx(length / np.sqrt(12), rel=5e-3)
    first, last = shake.shift_px[1], shake.shift_px[-1]
    assert (last - first) @ speed > 0.9 * np.linalg.norm(last - first) * np.linalg.norm(speed)


def test_a_subject_moves_the_way_it_looks(rig):
    """To the right is across, down is down, at the magnification: 50 px/mm."""
    path = smear_in(rig, STILL_HANDS, swaying(3.0, -1.0, 9.0)).subject.shift_px
    length = (path[-1] - path[1]) * 17 / 16
    assert length == pytest.approx([-1.0 * 50 * 0.1, 3.0 * 50 * 0.1])


def test_camera_and_subject_together_may_cancel(rig):
    """A camera that follows its subject has no smear in the subject, but in all the rest."""
    smear = smear_in(rig, moving([3, 0, 0, 0, 0, 0]), swaying(3.0, 0.0, 0.0))
    assert smear.rms_px == pytest.approx(0.0, abs=1e-9)
    assert smear.shake.rms_px == pytest.approx(3 * 50 * 0.1 / np.sqrt(12), rel=5e-3)


def test_nothing_moves_nothing_smears(rig):
    """Still hands and a still subject."""
    smear = smear_in(rig, STILL_HANDS, STILL_SUBJECT)
    assert smear.rms_px == 0
    assert smear.shake.still
    assert smear.subject.still


def test_a_flash_freezes_what_a_lamp_smears(rig):
    """Smear goes with the time that the light lasts: 96 us of flash against 0.1 s of lamp."""
    hands = moving([5, 0, 0, 0, 0, 0])
    long, short = (smear_in(rig, hands, STILL_SUBJECT, light).rms_px for light in (LAMP, FLASH))
    burnt_s = fire(FLASH, 1, seed=0, scene="test")[0].duration_s
    assert burnt_s < 1e-4
    assert 0.7 < short / long / (burnt_s / 0.1) < 1.0  # its light is most at the start


@pytest.mark.parametrize("name", ["steady-lamp", "flash-sixteenth", "flash-and-daylight"])
def test_shares_of_the_light_sum_to_one_within_the_exposure(name):
    """Times lie within the exposure, or the flash; weights are shares."""
    light = load_light(name)
    times, weights = exposed(light, fire(light, 1, seed=0, scene="test")[0])
    assert weights.sum() == pytest.approx(1.0)
    assert (weights >= 0).all()
    assert times.min() >= 0
    assert times.max() <= max(light.exposure_s, 1e-3)


def test_daylight_has_its_share_of_the_path():
    """With flash and daylight, the part after the flash has the daylight's share of the light."""
    light = replace(load_light("flash-and-daylight"), ambient_share=0.3)
    flash = fire(light, 1, seed=0, scene="test")[0]
    times, weights = exposed(light, flash)
    burst = (1 - 0.3) * 2.0**flash.gain_stops * np.mean(flash.colour_gain)
    daylight = 0.3 * flash.ambient_gain
    after = weights[times > flash.duration_s].sum()
    assert after == pytest.approx(daylight / (burst + daylight), rel=0.2)
    assert weights @ times == pytest.approx(
        after * light.exposure_s / 2, rel=0.2
    )  # the mean time is ruled by the daylight


def test_a_frame_without_light_has_a_place_all_the_same():
    """A misfire in the dark: one place with all the weight, no division by nothing."""
    light = replace(FLASH, flash=replace(FLASH.flash, initial_store=0.1, when_not_ready="fire"))
    flash = fire(light, 1, seed=0, scene="test")[0]
    assert flash.misfire
    times, weights = exposed(light, flash)
    assert times.tolist() == [0.0]
    assert weights.tolist() == [1.0]


# ---- rolling shutter --------------------------------------------------------------------------


def test_rows_read_later_show_the_picture_farther_on():
    """A picture that moves to the right leans to the right from top to bottom."""
    line = np.zeros((40, 60, 3), np.float32)
    line[:, 29:31] = 1.0
    leaning = rolled(line, (0.0, 200.0), 0.05)
    place = (leaning[..., 1] * (np.arange(60) + 0.5)).sum(axis=1) / leaning[..., 1].sum(axis=1)
    wanted = 30 + 10.0 * ((np.arange(40) + 0.5) / 40 - 0.5)
    assert place == pytest.approx(wanted, abs=0.05)


def test_a_picture_that_moves_down_is_drawn_out():
    """It runs along with the rows: two lines come to lie farther apart, the middle stays."""
    lines = np.zeros((80, 20, 3), np.float32)
    lines[[19, 20, 59, 60]] = 1.0
    got = rolled(lines, (160.0, 0.0), 0.05)[:, 10, 1]
    upper, lower = (
        (got[part] * (np.arange(80) + 0.5)[part]).sum() / got[part].sum()
        for part in (slice(0, 40), slice(40, 80))
    )
    # 8 px of motion over 80 rows: a row at r shows what was at r - 0.1 (r - 40).
    assert upper == pytest.approx(40 - 20 / 0.9, abs=0.1)
    assert lower == pytest.approx(40 + 20 / 0.9, abs=0.1)


def test_rows_read_at_once_are_left_alone(noise):
    """Without a read-out time, or without motion, the picture is the same."""
    assert rolled(noise, (300.0, 500.0), 0.0) is noise
    assert rolled(noise, (0.0, 0.0), 0.05) is noise
