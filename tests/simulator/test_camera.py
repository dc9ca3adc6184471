"""Conventions of the camera: where points land for every displacement, rotation and focus."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from stacktruth.simulator import Pose, load_rig
from stacktruth.simulator.handling.sway import SubjectPose
from stacktruth.simulator.pose import NOMINAL
from stacktruth.simulator.view.camera import Camera, Window

# Of the test rig: 50 mm at 1:1, entrance pupil 100 mm before the plane of focus, 20 um pixels.
PX_PER_MM, DISTANCE_MM, FOCAL_PX = 50.0, 100.0, 5000.0
MIDDLE = np.array([64.0, 96.0])  # row, column of the optical axis
RIGHT, DOWN, AXIS = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 0.0)
ASKEW = Pose(x_mm=0.3, y_mm=-0.2, z_mm=1.5, pitch_mrad=20, yaw_mrad=-35, roll_mrad=60)


def place(camera, point):
    """Return where a point lands, (rows down, columns right) of the middle, px."""
    row, col, _ = camera.project(point)
    return np.array([row, col]) - MIDDLE


def moved(rig, **pose):
    """Return the camera of a pose."""
    return Camera(rig, Pose(**pose))


def test_x_is_right_y_is_down_at_the_magnification(rig):
    """In the plane of focus 1 mm is 1000 m / pitch pixels: to the right for x, down for y."""
    camera = Camera(rig)
    assert place(camera, AXIS) == pytest.approx([0, 0])
    assert place(camera, RIGHT) == pytest.approx([0, PX_PER_MM])
    assert place(camera, DOWN) == pytest.approx([PX_PER_MM, 0])


def test_far_points_look_smaller(rig):
    """Perspective from the entrance pupil: size falls as d / (d + z), z away from the camera."""
    for z in (-10.0, 25.0):
        wanted = PX_PER_MM * DISTANCE_MM / (DISTANCE_MM + z)
        assert place(Camera(rig), (1.0, 0.0, z)) == pytest.approx([0, wanted])
        assert Camera(rig).project((1.0, 0.0, z))[2] == pytest.approx(DISTANCE_MM + z)


def test_a_camera_to_the_right_moves_the_picture_to_the_left(rig):
    """A lateral shift t moves a point in focus by m t / pitch, against the camera."""
    assert place(moved(rig, x_mm=0.1), AXIS) == pytest.approx([0, -5.0])
    assert place(moved(rig, y_mm=0.1), AXIS) == pytest.approx([-5.0, 0])


@pytest.mark.parametrize("step_mm", [0.1, -0.4, 3.0])
def test_a_step_forward_scales_a_point_by_step_over_distance(rig, step_mm):
    """By similar triangles the distance from the axis grows as d / (d - s), about 1 + s/d."""
    before, after = (place(moved(rig, z_mm=z), (1.0, 0.5, 0.0)) for z in (0.0, step_mm))
    assert after / before == pytest.approx(DISTANCE_MM / (DISTANCE_MM - step_mm), rel=1e-12)
    assert (after / before - 1)[0] == pytest.approx(
        step_mm / DISTANCE_MM, rel=1.1 * abs(step_mm) / 100
    )


def test_a_tenth_of_a_millimetre_shifts_the_edge_of_a_real_frame_by_1_5_px(rig):
    """100 mm lens at 1:1, 200 mm from the pupil: 0.05 % a step, 1.5 px at 3000 px (worked)."""
    lens = replace(rig.lens, focal_length_mm=100.0)
    sensor = replace(rig.sensor, width_px=6000, height_px=4000, pitch_um=3.9)
    real = replace(rig, lens=lens, sensor=sensor)
    point = (3000 * 3.9e-3, 0.0, 0.0)
    columns = [float(moved(real, z_mm=z).project(point)[1]) for z in (0.0, 0.1)]
    assert columns[0] == pytest.approx(6000.0)
    assert columns[1] - columns[0] == pytest.approx(1.5, abs=0.001)


def test_looking_up_moves_the_picture_down(rig):
    """Positive pitch looks up: the axis' old point lands d tan(pitch) lower."""
    assert place(moved(rig, pitch_mrad=2.0), AXIS) == pytest.approx([FOCAL_PX * np.tan(2e-3), 0])


def test_looking_right_moves_the_picture_left(rig):
    """Positive yaw looks right: the axis' old point lands d tan(yaw) farther left."""
    assert place(moved(rig, yaw_mrad=2.0), AXIS) == pytest.approx([0, -FOCAL_PX * np.tan(2e-3)])


def test_a_camera_turned_clockwise_turns_the_picture_anticlockwise(rig):
    """Positive roll: what was on the right goes up, what was below goes right."""
    turned = moved(rig, roll_mrad=100.0)
    cos, sin = PX_PER_MM * np.cos(0.1), PX_PER_MM * np.sin(0.1)
    assert place(turned, RIGHT) == pytest.approx([-sin, cos])
    assert place(turned, DOWN) == pytest.approx([cos, sin])


def test_rotation_is_about_the_entrance_pupil(rig):
    """Turning the camera moves neither its pupil nor the distance of points to it."""
    turned = moved(rig, pitch_mrad=30, yaw_mrad=-20, roll_mrad=50)
    assert turned.pupil_mm == pytest.approx([0, 0, -DISTANCE_MM])
    for point in (AXIS, RIGHT, (2.0, -1.0, 7.0)):
        row, col, depth = turned.project(point)
        tangent = np.hypot(*(np.array([row, col]) - MIDDLE)) / FOCAL_PX
        assert depth * np.hypot(1, tangent) == pytest.approx(
            np.linalg.norm(np.subtract(point, turned.pupil_mm))
        )


def test_roll_comes_first_then_pitch_then_yaw(rig):
    """The rotation is yaw times pitch times roll, right-handed (scipy's intrinsic YXZ)."""
    expected = Rotation.from_euler("YXZ", [-35e-3, 20e-3, 60e-3]).as_matrix()
    assert ASKEW.rotation() == pytest.approx(expected, abs=1e-15)
    axis = moved(rig, pitch_mrad=300, yaw_mrad=500, roll_mrad=800).rotation[:, 2]
    up, right = 0.3, 0.5
    assert axis == pytest.approx(
        [np.cos(up) * np.sin(right), -np.sin(up), np.cos(up) * np.cos(right)]
    )


@pytest.mark.parametrize("pose", [NOMINAL, ASKEW])
@pytest.mark.parametrize("scale", [1, 4])
@pytest.mark.parametrize("place_mm", [(0.0, 0.0), (-5.0, 7.0)])
def test_rays_go_through_pixel_centres(rig, pose, scale, place_mm):
    """A point on the ray of a sample projects to that sample's centre, at the ray's depth."""
    rig = replace(rig, lens=replace(rig.lens, field_curvature_per_mm=0.05))
    camera = Camera(rig, pose, place_mm=place_mm)
    window = Window(-8, 128, 8, 200, scale)
    x, y, z = np.broadcast_arrays(*camera.directions(window))
    points = camera.pupil_mm + 97.0 * np.stack([x, y, z], axis=-1).astype(float)
    row, col, depth = camera.project(points)
    rows, cols = np.indices(window.shape)
    assert row == pytest.approx(-8 + (rows + 0.5) * scale, abs=2e-3)
    assert col == pytest.approx(8 + (cols + 0.5) * scale, abs=2e-3)
    assert depth == pytest.approx(97.0, abs=1e-4)


@pytest.mark.parametrize("curvature_per_mm", [0.0, 0.05, -0.05])
def test_a_point_in_focus_stays_where_it_is_from_all_of_the_pupil(rig, curvature_per_mm):
    """Points on the curved surface in focus, half k rho squared farther, land in one place."""
    rig = replace(rig, lens=replace(rig.lens, field_curvature_per_mm=curvature_per_mm))
    x, y = np.meshgrid(np.linspace(-2, 2, 5), np.linspace(-1.3, 1.3, 3))
    sag = curvature_per_mm / 2 * (x**2 + y**2)
    # x and y are where the rays from the middle of the pupil cross the plane of focus.
    points = np.stack([x, y, np.full_like(x, DISTANCE_MM)]) * (1 + sag / DISTANCE_MM)
    points = np.moveaxis(points, 0, -1) - [0, 0, DISTANCE_MM]
    for place_mm in ((0.0, 0.0), (8.0, 0.0), (-3.0, -7.0)):
        row, col, _ = Camera(rig, place_mm=place_mm).project(points)
        assert row == pytest.approx(MIDDLE[0] + PX_PER_MM * y, abs=2e-5)
        assert col == pytest.approx(MIDDLE[1] + PX_PER_MM * x, abs=2e-5)


def test_the_first_pixel_has_its_centre_at_a_half(rig):
    """Pixel (0, 0) of the frame has its centre at (0.5, 0.5), the axis is between pixels."""
    down, across = Camera(rig).ray_axes(Camera(rig).frame)
    assert down[0, 0] * FOCAL_PX == pytest.approx(0.5 - MIDDLE[0], rel=1e-5)
    assert across[0, -1] * FOCAL_PX == pytest.approx(191.5 - MIDDLE[1], rel=1e-5)


@pytest.mark.parametrize("focus_mm", [25.0, -20.0, 0.5])
def test_refocusing_follows_the_lens_equation(rig, focus_mm):
    """1/u + 1/v = 1/f and m = v/u for the symmetric lens (pupils at its principal planes)."""
    u, f = DISTANCE_MM + focus_mm, 50.0
    magnification = 1 / (1 / f - 1 / u) / u
    camera = Camera(rig, focus_mm=focus_mm)
    assert camera.distance_mm == pytest.approx(u)
    assert camera.pupil_mm == pytest.approx([0, 0, -DISTANCE_MM])
    assert place(camera, (1.0, 0.0, focus_mm)) == pytest.approx([0, magnification * 50.0])


def test_refocusing_changes_the_whole_picture_s_scale_alike(rig):
    """The pupil stands still: no parallax, all points keep their directions from the axis."""
    points = np.array([(1.0, 0.5, 0.0), (0.3, -0.7, 4.0), (-1.0, 0.2, -3.0)])
    before, after = (Camera(rig, focus_mm=focus).project(points) for focus in (0.0, 5.0))
    ratios = [(a - m) / (b - m) for a, b, m in zip(after[:2], before[:2], MIDDLE, strict=True)]
    assert np.ptp(ratios) < 1e-12


def test_no_refocusing_is_the_same_rig(rig):
    """focus_mm = 0 changes nothing at all."""
    assert Camera(rig).lens_rig is rig
    with pytest.raises(ValueError, match="front focal plane"):
        _ = Camera(rig, focus_mm=-60.0).lens_rig


def test_a_crop_is_the_middle_of_the_sensor(rig):
    """A point lands as many pixels nearer to the corner as the crop takes off."""
    whole, part = Camera(rig, ASKEW), Camera(rig, ASKEW, crop=(96, 32))
    point = (0.4, 0.3, 0.8)
    offset = np.array(whole.project(point)[:2]) - np.array(part.project(point)[:2])
    assert offset == pytest.approx([48, 48])
    assert part.frame == Window(0, 32, 0, 96)


def test_binned_pixels_are_whole_groups_about_the_axis(rig):
    """Coordinates are divided by the bin; what does not fill a group is left out."""
    fine, coarse = Camera(rig, ASKEW), Camera(rig, ASKEW, bin=4)
    point = (0.4, 0.3, 0.8)
    assert 4 * np.array(coarse.project(point)[:2]) == pytest.approx(fine.project(point)[:2])
    assert coarse.pitch_um == 80.0
    assert Camera(rig, crop=(30, 22), bin=4).frame == Window(0, 5, 0, 7)


@pytest.mark.parametrize("crop", [(193, 100), (100, 129), (0, 10), (10, -1)])
def test_a_crop_must_lie_on_the_sensor(rig, crop):
    """Larger than the sensor, or nothing, is an error that says what is allowed."""
    with pytest.raises(ValueError, match=rf"crop: got {crop[0]}x{crop[1]} .* 192x128 of rig 'test"):
        Camera(rig, crop=crop)


@pytest.mark.parametrize("bin_px", [0, -2, 33])
def test_a_bin_must_fit_the_crop(rig, bin_px):
    """Less than 1, or more than the crop's shorter side, is an error."""
    with pytest.raises(ValueError, match=f"bin: got {bin_px}, allowed 1 to 32"):
        Camera(rig, crop=(96, 32), bin=bin_px)


def test_a_subject_that_moved_looks_like_a_camera_that_moved_back(rig):
    """Points of a living part land where the moved points do; other parts do not move."""
    subject = SubjectPose(x_mm=0.2, y_mm=-0.1, z_mm=0.4, parts_mm={"wing": (0.05, 0.1, -0.2)})
    camera = Camera(rig, ASKEW, subject=subject)
    point = np.array([0.3, 0.1, 0.7])
    sway, twitch = np.array([0.2, -0.1, 0.4]), np.array([0.05, 0.1, -0.2])
    for name, shift in (("leg", sway), ("wing", sway + twitch)):
        seen = camera.facing(name, living=True).project(point)
        assert np.array(seen) == pytest.approx(np.array(camera.project(point + shift)))
    assert camera.facing("wing", living=False) is camera
    still = Camera(rig, ASKEW)
    assert still.facing("wing", living=True) is still


def test_windows_at_a_scale_cover_the_window():
    """A coarser window starts and ends on multiples of its scale, outside the finer one."""
    window = Window(-5, 9, 3, 16)
    coarse = window.at_scale(4)
    assert coarse == Window(-8, 12, 0, 16, 4)
    assert coarse.shape == (5, 4)
    assert coarse.common(window) == Window(-5, 9, 3, 16, 4)


def test_windows_find_themselves_in_larger_ones():
    """Slices pick a window out of an array of the outer one, in its own samples."""
    outer = Window(-8, 24, -8, 40, 4)
    rows, cols = Window(0, 8, 4, 40).slices_in(outer)
    values = np.arange(outer.shape[0] * outer.shape[1]).reshape(outer.shape)
    assert values[rows, cols][0, 0] == values[2, 3]
    assert values[rows, cols].shape == (2, 9)


def test_windows_grow_and_meet():
    """Growing takes the same margin on all sides; windows apart have nothing in common."""
    window = Window(0, 10, 0, 20)
    assert window.grown(3) == Window(-3, 13, -3, 23)
    assert not window.empty
    assert window.common(Window(10, 12, 0, 20)).empty
    assert window.common(Window(0, 10, 20, 21)).empty


def test_a_pupil_ratio_changes_the_distance_alone(rig):
    """With p = 0.5 the pupil stands 50 mm farther away: f (1/m + 1/p) = 150 mm; m stays."""
    lens = replace(load_rig("test-rig").lens, pupil_ratio=0.5)
    camera = Camera(replace(rig, lens=lens))
    assert camera.distance_mm == pytest.approx(150.0)
    assert place(camera, RIGHT) == pytest.approx([0, PX_PER_MM])
