"""Shoots: the same frames always, effects that can be switched off, and true records."""

import pickle
from dataclasses import replace

import numpy as np
import pytest

from stacktruth.ground.srgb import decode_srgb
from stacktruth.simulator import Pose, load_rig, load_scene, render_view
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.handling.hands import Stance, load_stance
from stacktruth.simulator.handling.light import FlashUnit, Light, load_light
from stacktruth.simulator.handling.sway import Subject
from stacktruth.simulator.optics import depth_of_field_mm
from stacktruth.simulator.pose import NOMINAL
from stacktruth.simulator.scene.scene import Scene, Sheet
from stacktruth.simulator.scene.texture.target import Checker
from stacktruth.simulator.shooting.shoot import (
    BLUR_CRITERION_UM,
    STEP_SHARE,
    USABLE_SMEAR_PX,
    shoot,
)
from stacktruth.simulator.stack.frameio import FORMATS
from stacktruth.simulator.stack.stackwrite import camera_info

RIG = load_rig("test-rig")
RAMP = load_scene("ramp")
CROP = (72, 48)
LAMP = load_light("steady-lamp")
STILL = Stance(name="still", approach=Approach(kind="stepped", step_mm=0.0))
PRINT = Scene(
    name="print",
    field_mm=(4, 3),
    depth_mm=(-1, 1),
    surface=(
        Sheet(
            name="card",
            lit=False,
            texture=Checker(colours=((0.8, 0.75, 0.6), (0.05, 0.08, 0.2)), cell_mm=0.21),
        ),
    ),
)
PASS = Approach(start_mm=-0.4, length_mm=0.8, speed_mm_per_s=2.0)
STEPPED = Approach(kind="stepped", start_mm=-0.3, step_mm=0.2)


def plan(scene=RAMP, **changes):
    """Plan a small shoot."""
    asked = {"stance": "kneeling", "frames": 4, "seed": 5, "crop": CROP, "approach": PASS}
    return shoot(scene, RIG, **(asked | changes))


def still(scene=RAMP, **changes):
    """Plan a shoot in which nothing moves and the light is steady."""
    return plan(scene, **({"stance": STILL, "light": LAMP, "approach": None} | changes))


def flashlight(**changes):
    """Return a flash that fires alike every time unless told otherwise."""
    unit = {"power": 0.1, "refill": "instant", "spread_stops": 0.0} | changes
    return Light(name="test", flash=FlashUnit(**unit), ambient_share=0.0, exposure_s=0.005)


# ---- effects switched off ---------------------------------------------------------------------


def test_a_stance_of_zeros_holds_the_camera_still():
    """Zero jitter is the identity: every frame is the nominal view, to the last bit."""
    made = still(approach=STILL.approach, encoding="float")
    view = render_view(RAMP, RIG, crop=CROP)
    for frame in made:
        assert frame.record.pose == NOMINAL
        assert frame.record.smear_px == 0
        assert frame.record.gains == (1.0, 1.0, 1.0)
        assert (frame.image == view).all()


def test_a_flash_without_spread_has_a_constant_gain():
    """No spread, no sag, no nearness: each frame has the same light; with spread it has not."""
    steady = still(light=flashlight(), approach=STILL.approach, encoding="float")
    images = [frame.image for frame in steady]
    assert all((image == images[0]).all() for image in images)
    assert {record.gain_stops for record in steady.records} == {0.0}
    spread = still(light=flashlight(spread_stops=0.1), approach=STILL.approach, encoding="float")
    assert len({record.gain_stops for record in spread.records}) == 4


def test_gain_multiplies_the_light():
    """A frame is the view times its record's gain, channel by channel."""
    light = flashlight(spread_stops=0.4, colour_spread_k=300.0, distance_mm=80.0)
    made = still(light=light, approach=replace(STILL.approach, start_mm=0.3), encoding="float")
    view = render_view(RAMP, RIG, pose=Pose(z_mm=0.3), crop=CROP)
    for frame in made:
        assert frame.image == pytest.approx(view * np.float32(frame.record.gains), rel=1e-5)
        assert frame.record.gain_stops == pytest.approx(np.log2(frame.record.gains[1]))


def test_without_noise_frames_are_the_light_to_the_converter_s_step():
    """Encoded and decoded again, a frame without noise is the light, within one step of 14 bits."""
    light = still(encoding="float").frame(1).image
    for encoding, tolerance in (("srgb16", 1.0 / 2**14), ("srgb8", 5e-3)):
        image = still(encoding=encoding, noise=False).frame(1).image
        linear = decode_srgb(image / np.float32(np.iinfo(image.dtype).max))
        assert linear == pytest.approx(np.minimum(light, 1.0), abs=tolerance)


def test_noise_is_that_of_the_sensor():
    """Two still frames differ by noise whose variance grows with the light, as shot noise does."""
    made = still(PRINT, approach=STILL.approach, frames=2)
    first, second = (decode_srgb(frame.image / np.float32(65535)) for frame in made)
    light = still(PRINT, approach=STILL.approach, encoding="float").frame(0).image
    dark, bright = (light < 0.1), (light > 0.5) & (light < 0.9)
    for mask in (dark, bright):
        electrons = light[mask].mean() * RIG.sensor.full_well_e
        wanted = (electrons + RIG.sensor.read_noise_e**2) / RIG.sensor.full_well_e**2
        spread = np.var((first - second)[mask]) / 2
        assert mask.sum() > 1000
        assert spread == pytest.approx(wanted, rel=6 / np.sqrt(mask.sum()))


# ---- the same always --------------------------------------------------------------------------


def test_the_same_seed_has_the_same_bytes():
    """Two plans of one seed make the same frames; another seed makes others."""
    first, again, other = (
        [frame.image.tobytes() for frame in plan(seed=seed, frames=2)] for seed in (5, 5, 6)
    )
    assert first == again
    assert first[0] != other[0]


def test_a_frame_alone_is_the_frame_of_the_series():
    """Frames rendered alone, in another order, or by a copy of the plan are the same."""
    made = plan()
    series = [frame.image.tobytes() for frame in made]
    copy = pickle.loads(pickle.dumps(plan()))
    assert copy.frame(3).image.tobytes() == series[3]
    assert copy.frame(1).image.tobytes() == series[1]
    assert copy.records == made.records


def test_more_frames_change_none_of_the_earlier():
    """A longer shoot goes on where the shorter one ends."""
    short, long = plan(frames=2, approach=None), plan(frames=5, approach=None)
    assert short.records == long.records[:2]
    for number in range(2):
        assert short.frame(number).image.tobytes() == long.frame(number).image.tobytes()


@pytest.mark.parametrize("change", [{"light": LAMP}, {"subject": "light-air"}])
def test_another_light_or_subject_leaves_the_hands_alone(change):
    """Each effect draws from its own stream: at the same times the camera is in the same place."""

    def pose(**options):
        return plan(frames=1, **options).records[0].pose

    assert pose(**change) == pose()


def test_noise_and_hands_do_not_share_a_stream():
    """Without noise the records are the same."""
    assert plan(noise=False).records == plan().records


# ---- records ----------------------------------------------------------------------------------


def test_a_stepped_pass_focuses_at_its_stops():
    """The plane of focus is at start + n step, and so is the record."""
    made = still(approach=STEPPED)
    assert [record.focus_z_mm for record in made.records] == pytest.approx([-0.3, -0.1, 0.1, 0.3])
    assert [record.time_s for record in made.records] == pytest.approx([0, 1, 2, 3])
    assert {record.refocus_mm for record in made.records} == {0.0}


def test_a_focus_ring_pass_moves_the_focus_and_not_the_camera():
    """The camera stands still; the lens is focused farther step by step."""
    made = still(approach=replace(STEPPED, kind="focus-ring"))
    assert {record.pose for record in made.records} == {NOMINAL}
    assert [record.refocus_mm for record in made.records] == pytest.approx([-0.3, -0.1, 0.1, 0.3])
    assert [record.focus_z_mm for record in made.records] == pytest.approx([-0.3, -0.1, 0.1, 0.3])
    view = render_view(RAMP, RIG, focus_mm=-0.3, crop=CROP)
    assert replace(made, encoding="float").frame(0).image == pytest.approx(view, abs=1e-6)


def test_focus_of_a_turned_camera_is_counted_along_its_axis():
    """The record's plane of focus: where it cuts the axis, along the axis from the origin."""
    record = plan(stance="standing").records[2]
    axis = record.pose.rotation()[:, 2]
    eye = record.pose.shift_mm - [0, 0, 100]
    assert abs(axis[0]) + abs(axis[1]) > 1e-5
    assert record.focus_z_mm == pytest.approx((eye + 100 * axis) @ axis)


def test_cameras_are_those_of_the_records():
    """Pose, focus, subject, crop and bin."""
    made = plan(subject="light-air", bin=2)
    camera, record = made.camera(3), made.records[3]
    assert camera.pose == record.pose
    assert camera.subject == record.subject
    assert (camera.crop, camera.bin) == (CROP, 2)
    assert camera.frame.shape == (24, 36)
    assert record.subject.x_mm != 0


def test_the_reference_is_the_usable_frame_nearest_the_middle_of_the_pass():
    """Of four the second, of five the third, wherever they are focused; a dark one is none."""
    passing = replace(STEPPED, start_mm=-0.35)
    assert still(approach=passing).reference == 1
    assert still(approach=replace(passing, start_mm=-0.95), frames=5).reference == 2
    weak = flashlight(initial_store=0.5, refill="none", when_not_ready="fire", misfire_below=0.34)
    weak = replace(weak, flash=replace(weak.flash, power=0.3))
    made = still(light=weak, approach=passing)
    assert [record.usable for record in made.records] == [True, True, False, False]
    assert [record.misfire for record in made.records] == [False, False, True, True]
    assert made.reference == 1
    assert still(light=weak, approach=passing, frames=7).reference == 1  # 2 to 6 are dark


def test_the_reference_can_be_asked_for():
    """The truth is in its view, and methods are told; there is no frame 4 of four."""
    made = still(approach=STEPPED, reference=3)
    assert made.reference == made.truth().reference == 3
    assert camera_info(made, FORMATS["tiff16"])["reference"] == 3
    with pytest.raises(ValueError, match="reference: got frame 4, allowed 0 to 3"):
        still(approach=STEPPED, reference=4)


def test_dark_frames_are_not_counted_on():
    """More than three stops below the nominal light, or none at all."""
    weak = flashlight(
        power=0.8, initial_store=0.6, refill="none", when_not_ready="fire", misfire_below=0.0
    )
    made = still(light=weak, approach=STEPPED)
    stops = [record.gain_stops for record in made.records]
    assert stops == pytest.approx(np.log2(0.6 * 0.2 ** np.arange(4)))
    assert [record.usable for record in made.records] == [True, False, False, False]
    dark = replace(weak, flash=replace(weak.flash, misfire_below=0.9))
    assert still(light=dark).records[0].gain_stops == -np.inf


def test_frames_after_the_subject_left_are_not_counted_on():
    """The subject is there up to its last frame, and the picture empty of it after."""
    made = still(approach=STEPPED, subject=Subject(name="shy", leaves_after_frame=1))
    assert [record.usable for record in made.records] == [True, True, False, False]
    assert [record.subject.present for record in made.records] == [True, True, False, False]


def test_smeared_frames_are_not_counted_on():
    """Unsteady hands and a long exposure: image motion above 2 px rms."""
    unsteady = replace(load_stance("standing"), tremor_um=100.0)
    made = plan(stance=unsteady, light=LAMP, frames=6)
    smears = np.array([record.smear_px for record in made.records])
    assert ((smears <= USABLE_SMEAR_PX) == [record.usable for record in made.records]).all()
    assert smears.max() > USABLE_SMEAR_PX


def test_smear_is_in_the_picture():
    """A frame with much motion has less contrast than the view from its pose."""
    trembling = Stance(name="trembling", tremor_um=80.0)
    made = plan(PRINT, stance=trembling, light=LAMP, approach=STILL.approach, encoding="float")
    worst = max(made.records, key=lambda record: record.smear_px)
    view = render_view(PRINT, RIG, pose=worst.pose, crop=CROP)
    picture = made.frame(worst.frame).image / np.float32(worst.gains)
    detail, kept = (np.abs(np.diff(image, axis=1)).mean() for image in (view, picture))
    assert worst.smear_px > 2
    assert kept < 0.85 * detail
    assert picture.mean() == pytest.approx(view.mean(), rel=0.02)


# ---- truth ------------------------------------------------------------------------------------


def test_the_truth_is_made_of_the_usable_frames():
    """A frame that did not fire is nobody's best frame."""
    weak = flashlight(initial_store=0.5, refill="none", when_not_ready="fire", misfire_below=0.34)
    weak = replace(weak, flash=replace(weak.flash, power=0.3))
    truth = still(light=weak, approach=STEPPED).truth()
    assert truth.reference == 1
    assert set(np.unique(truth.best_frame)) <= {0, 1}


def test_the_truth_can_be_asked_for_in_any_view():
    """Depth in another frame's view lies along that frame's axis; there is no frame 9."""
    made = still(approach=STEPPED)
    for number in (0, 3):
        truth = made.truth(number)
        assert truth.reference == number
        assert truth.best_frame.shape == (48, 72)
    with pytest.raises(IndexError, match="reference: got frame 9, allowed 0 to 3"):
        made.truth(9)
    with pytest.raises(IndexError, match="reference: got frame -1"):
        made.truth(-1)


def test_without_a_usable_frame_the_reference_is_the_truth_s_only_one():
    """Where nothing can be counted on, the view is compared with itself."""
    made = still(approach=STEPPED, subject=Subject(name="gone", leaves_after_frame=0))
    lost = replace(made, light=replace(LAMP, ambient_spread_stops=0.0), frames=4)
    dark = replace(
        lost,
        light=flashlight(
            misfire_below=0.9, initial_store=0.5, refill="none", when_not_ready="fire"
        ),
    )
    assert not any(record.usable for record in dark.records)
    assert set(np.unique(dark.truth().best_frame)) == {dark.reference}


# ---- plans ------------------------------------------------------------------------------------


def test_a_planned_pass_covers_the_depth_wanted():
    """From before the nearest point to behind the farthest, at 0.6 of the depth of field a frame.

    The overlap and the margin are common practice, no source.
    """
    made = shoot(RAMP, RIG, stance="stepped", light=LAMP, crop=CROP)
    depth_of_field = depth_of_field_mm(RIG, blur_um=BLUR_CRITERION_UM).total_mm
    stops = [record.focus_z_mm for record in made.records]
    assert stops[0] == pytest.approx(RAMP.depth_mm[0] - depth_of_field / 2)
    assert stops[-2] < RAMP.depth_mm[1] + depth_of_field / 2 <= stops[-1] + 1e-9
    assert np.diff(stops) == pytest.approx(STEP_SHARE * depth_of_field)
    assert len(made) == len(stops)


def test_a_planned_lean_keeps_the_same_pace():
    """A lean takes the frames' own interval: the same step from frame to frame."""
    steady = Stance(name="steady")
    made = shoot(RAMP, RIG, stance=steady, light=LAMP, crop=CROP)
    stops = [record.focus_z_mm for record in made.records]
    depth_of_field = depth_of_field_mm(RIG, blur_um=BLUR_CRITERION_UM).total_mm
    assert np.diff(stops) == pytest.approx(STEP_SHARE * depth_of_field)


def test_a_pass_has_other_ends_when_told():
    """near_mm and far_mm are taken as they are."""
    made = shoot(RAMP, RIG, stance="stepped", light=LAMP, near_mm=-0.5, far_mm=0.5, crop=CROP)
    stops = [record.focus_z_mm for record in made.records]
    assert stops[0] == pytest.approx(-0.5)
    assert stops[-2] < 0.5 <= stops[-1]
    with pytest.raises(ValueError, match=r"from near to far, got 0.5 to -0.5 mm"):
        shoot(RAMP, RIG, near_mm=0.5, far_mm=-0.5)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"frames": 0}, "frames: got 0, allowed 1 to 5000"),
        ({"crop": (500, 48)}, "crop: got 500x48 pixels"),
        ({"bin": 0}, "bin: got 0"),
        ({"stance": "hanging"}, "unknown stance: got 'hanging'"),
        ({"light": "moonlight"}, "unknown light: got 'moonlight'"),
        ({"subject": "bee"}, "unknown subject: got 'bee'"),
    ],
)
def test_what_cannot_be_shot_is_refused_at_once(change, message):
    """Before the first frame, with what was got."""
    with pytest.raises(ValueError, match=message):
        plan(**change)


def test_binned_pixels_hold_more_and_spread_less():
    """Sixteen pixels in one: 16 wells, 4 times the read noise, a quarter of the pattern."""
    merged, own = plan(bin=4).binned_rig.sensor, RIG.sensor
    assert merged.full_well_e == 16 * own.full_well_e
    assert merged.read_noise_e == 4 * own.read_noise_e
    assert merged.prnu == own.prnu / 4
    assert merged.pitch_um == 4 * own.pitch_um


@pytest.mark.parametrize(
    ("encoding", "dtype"), [("srgb16", np.uint16), ("srgb8", np.uint8), ("float", np.float32)]
)
def test_frames_have_the_encoding_asked_for(encoding, dtype):
    """Type and size of the frames; as many as planned."""
    made = plan(encoding=encoding, bin=2)
    frame = made.frame(0)
    assert frame.image.dtype == dtype
    assert frame.image.shape == (24, 36, 3)
    assert len(made) == 4


def test_one_colour_a_pixel_is_filled_in():
    """Through a mosaic the frame is still a picture of the scene, with less detail of colour."""
    whole, mosaic = (
        still(PRINT, noise=False, bayer=bayer).frame(0).image for bayer in (False, True)
    )
    assert mosaic.shape == whole.shape
    difference = np.abs(mosaic.astype(float) - whole) / 65535
    assert 0.001 < difference.mean() < 0.06
