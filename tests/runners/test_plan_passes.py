"""The drawn passes: the simulator's own hands, subject, light and smear, many at once."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from stacktruth.runners.plan import Setting, blur_limit
from stacktruth.runners.plan.draw.conditions import framing_of
from stacktruth.runners.plan.draw.motion import (
    draw_pulse_at,
    draw_stem_at,
    draw_sway_at,
    draw_tremor_at,
)
from stacktruth.runners.plan.draw.passes import draw_in_lights, draw_passes
from stacktruth.runners.plan.draw.way import Way
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.handling.approach import Approach, cover, planned_mm
from stacktruth.simulator.handling.cadence import Cadence
from stacktruth.simulator.handling.ends import Ends, draw_ends, performed
from stacktruth.simulator.handling.hands import load_stance
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.handling.sway import Wind, load_subject
from stacktruth.simulator.shooting.shoot import USABLE_GAIN_STOPS, USABLE_SMEAR_PX, shoot
from tests.simulator.spectra import stem_psd

PASSES = 20_000
TIMES = np.array([0.0, 0.07, 0.2, 0.2 + 1 / 3, 1.5])
FREQUENCIES = np.linspace(0, 40, 400_001)


def setting(*, stance="kneeling", light="flash-sixteenth", subject="still", depth_mm=2.0):
    """Return a setting on the field rig at 2:1."""
    rig = load_rig("field-2x")
    return Setting(
        rig=rig,
        stance=load_stance(stance),
        light=load_light(light),
        subject=load_subject(subject),
        depth_mm=depth_mm,
        sharpness=blur_limit(30 / rig.sensor.pitch_um),
    )


@pytest.mark.parametrize("magnification", [0.5, 1.0, 3.0])
def test_the_picture_lies_on_the_subject_as_a_thin_lens_lays_it(magnification):
    """The object is f (1 + 1/m) away, and shows m times as large (Hecht, Optics, 5.2; memory)."""
    base = load_rig("field-2x")
    lens = replace(base.lens, focal_length_mm=50.0, magnification=magnification, pupil_ratio=1.0)
    sensor = replace(base.sensor, pitch_um=5.0, width_px=4000, height_px=3000)
    framing = framing_of(replace(base, lens=lens, sensor=sensor))
    assert framing.distance_mm == pytest.approx(50 * (1 + 1 / magnification))
    assert framing.px_per_mm == pytest.approx(200 * magnification)
    assert 2 * framing.half_width_mm == pytest.approx(20 / magnification)
    assert 2 * framing.half_height_mm == pytest.approx(15 / magnification)


def test_nothing_that_is_drawn_depends_on_f_number_or_depth():
    """So the passes of one setting serve all f-numbers: what one frame holds alone changes."""
    asked = setting()
    other = replace(asked.at_f_number(11), depth_mm=5.0)
    assert other.conditions == asked.conditions
    assert other.goal.lane.total_mm > asked.goal.lane.total_mm


def assert_moments(values, variance, *, false_alarm=1e-6):
    """Assert mean zero and a variance, for independent normal values."""
    assert abs(values.mean()) < stats.norm.isf(false_alarm / 2) * np.sqrt(variance / values.size)
    low, high = stats.chi2.ppf([false_alarm / 2, 1 - false_alarm / 2], values.size)
    assert low / values.size < np.mean(values**2) / variance < high / values.size


def assert_like(values, others):
    """Assert that two samples of passes have one mean, to one false alarm in ten thousand."""
    error = np.hypot(values.std() / np.sqrt(values.size), others.std() / np.sqrt(others.size))
    assert abs(values.mean() - others.mean()) <= stats.norm.isf(5e-5) * error


def test_sway_has_its_spread_and_memory():
    """Positions of a sway go with (1 + w t) exp(-w t), its velocity rms is w times its rms."""
    rate = 2 * np.pi * 0.3
    rng = np.random.default_rng(1)
    moves = draw_sway_at(rng, TIMES, PASSES, rms=[2.0], corner_hz=0.3, from_zero=False)
    place, speed = moves.position[..., 0], moves.velocity[..., 0]
    for frame, time in enumerate(TIMES):
        memory = (1 + rate * time) * np.exp(-rate * time)
        assert_moments(place[frame], 4)
        assert_moments(speed[frame], 4 * rate**2)
        if frame:
            assert_moments(place[frame] - memory * place[0], 4 * (1 - memory**2))


def test_sway_starts_where_the_picture_was_framed():
    """A framed sway starts at zero and wanders off as far as its law lets it."""
    rate = 2 * np.pi * 0.3
    rng = np.random.default_rng(2)
    place = draw_sway_at(rng, TIMES, PASSES, rms=[2.0], corner_hz=0.3, from_zero=True).position
    assert not place[0].any()
    for frame, time in enumerate(TIMES[1:], start=1):
        memory = (1 + rate * time) * np.exp(-rate * time)
        assert_moments(place[frame, :, 0], 4 * (1 - memory**2))


def test_tremor_has_its_spread_and_turns_at_its_centre():
    """A tremor goes with exp(-g t) (cos w t + g/w sin w t), its velocity rms is hypot(w, g)."""
    stance = replace(load_stance("kneeling"), tremor_hz_spread=0.0)
    fade, turn = 2 * np.pi * stance.tremor_half_width_hz, 2 * np.pi * stance.tremor_hz
    moves = draw_tremor_at(np.random.default_rng(3), TIMES, PASSES, stance=stance, rms=[1.5])
    place, speed = moves.position[..., 0], moves.velocity[..., 0]
    for frame, time in enumerate(TIMES):
        memory = np.exp(-fade * time) * (np.cos(turn * time) + fade / turn * np.sin(turn * time))
        assert_moments(speed[frame], 1.5**2 * (turn**2 + fade**2))
        if frame:
            assert_moments(place[frame] - memory * place[0], 1.5**2 * (1 - memory**2))


def test_a_stem_moves_as_its_spectrum_says():
    """Moves from frame to frame have the variance that the spectrum gives, from its place on."""
    wind = Wind(rms_mm=(0.5, 0.1, 0.25), natural_hz=(1.7, 1.7), damping=(0.1, 0.1))
    times = np.concatenate([[0.0], 30 + TIMES])  # long forgotten where it started
    moves = draw_stem_at(np.random.default_rng(4), times, PASSES, wind=wind, held=0.5)
    assert not moves.position[0].any()
    for axis, rms in enumerate(np.array(wind.rms_mm) / 2):
        psd = stem_psd(FREQUENCIES, rms=rms, natural_hz=1.7, damping=0.1, push_hz=0.3)
        for frame, time in enumerate(TIMES[1:], start=2):
            moved = moves.position[frame, :, axis] - moves.position[1, :, axis]
            wave = 2 - 2 * np.cos(2 * np.pi * FREQUENCIES * time)
            assert_moments(moved, np.trapezoid(wave * psd, FREQUENCIES))
        fast = np.trapezoid((2 * np.pi * FREQUENCIES) ** 2 * psd, FREQUENCIES)
        # The spectrum is cut at 40 Hz, beyond which one part in a thousand of the speed is left.
        assert np.mean(moves.velocity[1:, :, axis] ** 2) == pytest.approx(fast, rel=0.03)


def test_gusts_leave_the_rms_of_a_stem_as_it_is():
    """Swaying swells and dies down about its stated rms."""
    wind = Wind(rms_mm=(0.5, 0.1, 0.25), gustiness=0.9)
    moves = draw_stem_at(np.random.default_rng(5), np.array([0, 50.0]), PASSES, wind=wind, held=1)
    squares = moves.position[1] ** 2 / np.square(wind.rms_mm)
    assert np.all(abs(squares.mean(axis=0) - 1) < 5 * squares.std(axis=0) / np.sqrt(PASSES))


def test_the_pulse_beats_at_the_heart_rate():
    """A pulse comes back after one beat, with its rms over all axes."""
    stance = load_stance("standing")
    times = np.array([0.0, 0.3, 1 / stance.pulse_hz])
    moves = draw_pulse_at(np.random.default_rng(6), times, PASSES, stance=stance)
    np.testing.assert_allclose(moves.position[2], moves.position[0], atol=1e-12)
    assert np.sqrt(np.mean(moves.position**2)) == pytest.approx(1e-3 * stance.pulse_um, rel=0.02)


@pytest.mark.parametrize(
    ("stance", "light", "subject"),
    [
        ("kneeling", "ambient-burst", "still"),
        ("standing", "flash-and-daylight", "light-air"),
        ("in-hand-stem", "flash-quarter", "light-breeze"),
    ],
)
def test_passes_are_those_of_rendered_shoots(stance, light, subject):
    """Frame times, smear, spread of the planes, and usable frames are as in real shoots."""
    asked = setting(stance=stance, light=light, subject=subject)
    drawn = draw_passes(asked.conditions, frames=12, passes=4000)
    still = Approach(kind="stepped", step_mm=0.0)
    scene = load_scene("ramp")
    shoots = [
        shoot(
            scene,
            asked.rig,
            stance=stance,
            light=light,
            subject=subject,
            approach=still,
            frames=12,
            seed=seed,
        )
        for seed in range(40)
    ]
    records = [plan.records for plan in shoots]
    np.testing.assert_allclose([record.time_s for record in records[0]], drawn.times_s)
    smear = np.array([[record.smear_px for record in rows] for rows in records])
    assert_like(np.log(smear).mean(axis=1), np.log(drawn.smear_px).mean(axis=1))
    along = np.array([[r.focus_z_mm - r.subject.z_mm for r in rows] for rows in records])
    assert_like(np.abs(along).mean(axis=1), np.abs(drawn.along_mm).mean(axis=1))
    usable = np.array([[record.usable for record in rows] for rows in records])
    counts = (drawn.smear_px <= USABLE_SMEAR_PX) & (drawn.gain_stops >= USABLE_GAIN_STOPS)
    assert_like(usable.mean(axis=1), counts.mean(axis=1))


def test_a_support_steps_exactly():
    """Without hands, wind and step errors the planes of focus stand where they are meant."""
    approach = Approach(kind="stepped", start_mm=-0.5, step_mm=0.25)
    way = Way(passes=1, frames=4, approach=approach)
    drawn = draw_passes(
        setting(stance="stepped", light="steady-lamp").conditions, frames=4, passes=3
    )
    np.testing.assert_allclose(drawn.planes_mm(way), [[-0.5, -0.25, 0, 0.25]] * 3)
    assert drawn.usable.all()


def test_step_errors_are_drawn_for_every_stop():
    """A support that misses its stops does so by its stated spread, anew in every pass."""
    approach = Approach(kind="stepped", step_mm=0.25, step_error_mm=0.02)
    way = Way(passes=1, frames=8, approach=approach)
    drawn = draw_passes(setting(stance="stepped").conditions, frames=8, passes=4000)
    errors = drawn.planes_mm(way) - 0.25 * np.arange(8)
    assert_moments(errors.ravel(), 0.02**2)


def test_a_flash_that_fails_leaves_no_usable_frame():
    """A flash fired long before it is ready misfires in all passes alike."""
    drawn = draw_passes(setting(light="flash-hasty").conditions, frames=20, passes=50)
    assert drawn.misfires.any()
    assert not drawn.usable[:, drawn.misfires].any()
    assert np.isneginf(drawn.gain_stops[:, drawn.misfires]).all()


def test_a_subject_that_leaves_is_in_no_later_frame():
    """Frames after the last one that shows the subject do not count."""
    drawn = draw_passes(
        setting(subject="leaves-early", stance="braced").conditions, frames=9, passes=50
    )
    assert drawn.usable[:, :6].all()
    assert not drawn.usable[:, 6:].any()


@pytest.mark.parametrize("subject_mm", [None, 0.5, 8.0, 30.0])
def test_a_frame_counts_while_all_of_the_subject_is_in_the_picture(subject_mm):
    """An edge is lost where the picture wanders farther than the room beside it (geometry)."""
    asked = replace(setting(stance="standing"), subject_mm=subject_mm)
    standing = draw_passes(asked.conditions, frames=60, passes=300)
    assert not standing.usable[standing.strayed].any()
    width_mm, height_mm = (pixels * 3.9e-3 / 2 for pixels in (6000, 4000))
    across, down = np.abs(standing.aside_mm)
    wide, high = (subject_mm, subject_mm) if subject_mm else (width_mm / 2, height_mm / 2)
    outside = (across + wide / 2 > max(width_mm / 2, wide / 2)) | (
        down + high / 2 > max(height_mm / 2, high / 2)
    )
    np.testing.assert_array_equal(standing.strayed, outside)
    assert 0 < standing.strayed.mean() <= 1


def test_a_braced_picture_does_not_stray():
    """Both elbows on the ground, a subject that fills half the picture stays in it."""
    braced = draw_passes(setting(stance="braced").conditions, frames=60, passes=300)
    assert not braced.strayed.any()


def test_the_same_seed_draws_the_same_passes():
    """Equal seeds agree to the last bit, others do not."""
    one, same, other = (
        draw_passes(setting(subject="light-air").conditions, frames=5, passes=7, seed=s)
        for s in (1, 1, 2)
    )
    np.testing.assert_array_equal(one.along_mm, same.along_mm)
    np.testing.assert_array_equal(one.smear_px, same.smear_px)
    assert not np.array_equal(one.along_mm, other.along_mm)


def test_long_exposures_average_the_tremor_out():
    """Through 1/2 s a tremor smears by its own rms in the picture, not by speed times time.

    Its square is the mean of four independent squares, two phases across and two down: chi-square
    with four degrees of freedom, so that a frame is seldom still by luck.
    """
    stance = replace(load_stance("braced"), sway_mm=(0, 0, 0), pulse_um=0, rotation_mrad=0)
    asked = replace(
        setting(),
        stance=replace(stance, rotation_tremor_mrad=0, tremor_half_width_hz=0.05),
        light=replace(load_light("steady-lamp"), exposure_s=0.5),
    )
    smear_px = draw_passes(asked.conditions, frames=10, passes=2000).smear_px
    rms_px = 2 / 3.9 * stance.tremor_um * np.sqrt(2)
    assert np.sqrt(np.mean(smear_px**2)) == pytest.approx(rms_px, rel=0.05)
    for share in (0.05, 0.25, 0.75, 0.95):
        expected = rms_px * np.sqrt(stats.chi2(4).ppf(share) / 4)
        assert np.quantile(smear_px, share) == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize(("frames", "passes"), [(0, 5), (5, 0)])
def test_nothing_cannot_be_drawn(frames, passes):
    """A pass has a frame, and there is a pass."""
    with pytest.raises(ValueError, match="frames and passes must be >= 1"):
        draw_passes(setting().conditions, frames=frames, passes=passes)


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5])
def test_flash_and_ambient_light_share_the_nominal_light(share):
    """A full store lights the first frame as the camera was set; a misfire leaves the rest."""
    light = load_light("flash-and-daylight")
    flash = replace(light.flash, power=0.5, spread_stops=0.0, initial_store=1.0)
    light = replace(light, flash=flash, ambient_share=share, ambient_spread_stops=0.0)
    asked = replace(setting(), light=light)
    drawn = draw_passes(asked.conditions, frames=30, passes=3)
    np.testing.assert_allclose(drawn.gain_stops[:, 0], 0.0, atol=1e-9)
    assert drawn.misfires.any()
    with np.errstate(divide="ignore"):
        np.testing.assert_allclose(drawn.gain_stops[:, drawn.misfires], np.log2(share))


def test_drawn_passes_miss_their_ends_as_the_simulator_says():
    """Every drawn pass has the planes and frames of `performed` with the same errors."""
    asked = setting(stance="elbows-tucked", light="flash-128th")
    drawn = draw_passes(asked.conditions, frames=80, passes=60)
    for kind in ("lean", "rock", "hold"):
        approach = cover(Approach(kind=kind), near_mm=-1, far_mm=5, times_s=drawn.times_s[:21])
        way = Way(passes=1, frames=21, approach=approach)
        planes, taken = drawn.planes_mm(way) - drawn.along_mm, drawn.taken(way)
        for row in range(60):
            ends = Ends(
                start_mm=float(drawn.ends.start_mm[row]),
                stop_mm=float(drawn.ends.stop_mm[row]),
                reaction_s=drawn.ends.reaction_s,
            )
            made, frames = performed(approach, drawn.times_s, frames=21, ends=ends)
            assert taken[row].sum() == frames
            assert taken[row, :frames].all()
            places = planned_mm(made, drawn.times_s, np.arange(80), seed=0, scene="s")
            np.testing.assert_allclose(planes[row], places, atol=1e-9)


def test_drawn_ends_have_the_stances_spread():
    """The planner's ends follow the law of `draw_ends`, start and stop apart."""
    asked = setting(stance="elbows-tucked")
    ends = draw_passes(asked.conditions, frames=1, passes=20_000).ends
    assert_moments(ends.start_mm, asked.stance.start_error_mm**2)
    assert_moments(ends.stop_mm, asked.stance.stop_error_mm**2)
    assert abs(np.corrcoef(ends.start_mm, ends.stop_mm)[0, 1]) < 5 / np.sqrt(20_000)
    single = [draw_ends(asked.stance, seed=seed, scene="x").start_mm for seed in range(400)]
    assert np.std(single) == pytest.approx(asked.stance.start_error_mm, rel=0.2)


def test_lights_share_the_moves_of_hands_and_subject():
    """At a time that two bursts have in common, the camera is at the same place in both."""
    asked = setting(stance="kneeling", subject="light-air")
    slow = replace(load_light("steady-lamp"), cadence=Cadence(frames_per_s=2.0))
    fast = replace(slow, cadence=Cadence(frames_per_s=6.0))
    one, other = draw_in_lights(asked.conditions, [slow, fast], frames=[9, 25], passes=700)
    np.testing.assert_allclose(one.times_s, other.times_s[::3])
    np.testing.assert_array_equal(one.along_mm, other.along_mm[:, ::3])
    assert len(one.along_mm) == 700


def test_more_passes_leave_the_earlier_ones_as_they_are():
    """So a way with another pass has the passes of the way without it, and one more."""
    asked = setting(stance="kneeling", subject="light-air")
    few, many = (draw_passes(asked.conditions, frames=6, passes=n) for n in (30, 1000))
    np.testing.assert_array_equal(few.along_mm, many.along_mm[:30])
    np.testing.assert_array_equal(few.usable, many.usable[:30])
