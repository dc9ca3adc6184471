"""How far out of focus points are: against the optics, for one camera and the best of several."""

from dataclasses import replace

import numpy as np
import pytest

from stacktruth.simulator import Pose, optics
from stacktruth.simulator.blur.basis import optics_of
from stacktruth.simulator.blur.focusing import (
    _places,
    blur_radius_px,
    defocus_mm,
    frame_blur_px,
    radius_range_px,
    seen_by,
)
from stacktruth.simulator.view.camera import Camera, Window


def key_of(camera):
    """Return the key of a camera's blur."""
    return optics_of(camera.lens_rig, pitch_um=camera.pitch_um)


def radius_px(camera, focus, depth_mm):
    """Return the least blur radius over the whole frame for one depth everywhere."""
    depth = np.full(camera.frame.shape, depth_mm, np.float32)
    return blur_radius_px(camera, focus, key_of(camera), camera.frame, depth)


def random_pose(rng):
    """Draw a handheld pose."""
    x, y, z = rng.normal(0, (0.3, 0.3, 1.5))
    pitch, yaw, roll = rng.normal(0, (4, 4, 20))
    return Pose(x_mm=x, y_mm=y, z_mm=z, pitch_mrad=pitch, yaw_mrad=yaw, roll_mrad=roll)


@pytest.mark.parametrize("offset_mm", [-7.0, -0.4, 0.0, 0.2, 5.0])
@pytest.mark.parametrize("focus_mm", [0.0, 4.0])
def test_defocus_is_that_of_the_optics(rig, offset_mm, focus_mm):
    """Wavefront defocus of a point off the plane of focus, signed: (NA^2 / 2) z / (1 + z/d)."""
    camera = Camera(rig, focus_mm=focus_mm)
    got = defocus_mm(camera, np.float32(offset_mm))
    assert got == pytest.approx(float(optics.defocus_mm(camera.lens_rig, offset_mm)), rel=1e-5)


@pytest.mark.parametrize("bin_px", [1, 4])
@pytest.mark.parametrize("offset_mm", [-5.0, 0.5, 6.0])
def test_radius_is_half_the_blur_disc_in_picture_pixels(rig, offset_mm, bin_px):
    """A camera's own view is blurred by the disc of the optics over the picture's pitch."""
    camera = Camera(rig, bin=bin_px)
    wanted = float(optics.blur_diameter_um(rig, offset_mm)) / (20.0 * bin_px) / 2
    got = radius_px(camera, (camera,), 100.0 + offset_mm)
    assert got == pytest.approx(np.full(got.shape, wanted), rel=1e-4)


def test_no_camera_leaves_everything_in_focus(rig):
    """Without any focus the blur is nothing, in one value."""
    assert radius_px(Camera(rig), (), 90.0).tolist() == [[0.0]]


@pytest.mark.parametrize("seed", range(4))
def test_points_of_a_view_are_found_in_another(rig, seed):
    """Row, column and depth in another camera are those of the points in space."""
    rng = np.random.default_rng(seed)
    camera, other = Camera(rig, random_pose(rng)), Camera(rig, random_pose(rng), focus_mm=2.0)
    depth = rng.uniform(95, 108, camera.frame.shape).astype(np.float32)
    rays = np.stack(np.broadcast_arrays(*camera.directions(camera.frame)), axis=-1)
    points = camera.pupil_mm + depth[..., None] * rays
    for got, wanted in zip(
        seen_by(other, camera, camera.frame, depth), other.project(points), strict=True
    ):
        assert got == pytest.approx(wanted, abs=2e-3)


def test_the_best_of_several_cameras_counts(rig):
    """Each point takes the smallest blur of any camera, as seen from where that camera is."""
    steps = (-1.0, 0.5, 2.0)
    camera = Camera(rig)
    cameras = tuple(Camera(rig, Pose(z_mm=z)) for z in steps)
    for z in (-2.0, -0.3, 0.5, 1.2, 4.0):
        off = min(float(optics.blur_diameter_um(rig, z - step)) / 40.0 for step in steps)
        middle = radius_px(camera, cameras, 100.0 + z)[64, 96]
        assert middle == pytest.approx(off, abs=1e-3)


def test_a_camera_counts_only_for_what_is_in_its_frame(rig):
    """Points outside the sharp camera's frame have the blur that the view's own camera gives."""
    camera, aside = Camera(rig), Camera(rig, Pose(x_mm=2.0, z_mm=3.0))
    got = radius_px(camera, (camera, aside), 103.0)
    own = float(optics.blur_diameter_um(rig, 3.0)) / 40.0
    assert got[:, :80] == pytest.approx(own, rel=1e-4)
    assert got[5:-5, -80:] == pytest.approx(0.0, abs=1e-3)
    only = radius_px(camera, (aside,), 103.0)
    assert only[:, :80] == pytest.approx(own, rel=1e-4)
    # The edge between is where the other frame ends: x = 2 mm less half its width there.
    edge = np.flatnonzero(np.diff(got[64] > own / 2))
    assert edge == pytest.approx([96 + 5000 * (2.0 - 1.92) / 103 - 1], abs=1)


def test_beside_the_view_a_point_is_seen_as_the_edge_is(rig):
    """Light comes into a picture over its edge: what is beside both frames counts as in both."""
    camera, nearer = Camera(rig), Camera(rig, Pose(z_mm=1.0))
    window = camera.frame.grown(20)
    depth = np.full(window.shape, 101.0, np.float32)
    radius = frame_blur_px(camera, nearer, key_of(camera), window, depth)
    # From 1 mm nearer the picture is 1 % larger: its edge lies 1.0 px (0.6 px) within the view.
    assert radius[20:-20, 21:-21][1:-1] == pytest.approx(0.0, abs=1e-3)
    assert radius[64, :19] == pytest.approx(0.0, abs=1e-3)
    aside = Camera(rig, Pose(x_mm=0.2, z_mm=1.0))
    radius = frame_blur_px(camera, aside, key_of(camera), window, depth)
    assert np.isinf(radius[64, :29]).all()
    assert np.isfinite(radius[64, 31:]).all()


def test_a_tilted_camera_has_a_tilted_plane_of_focus(rig):
    """With a yaw to the right, the plane in focus comes nearer on the right of a wall."""
    camera, turned = Camera(rig), Camera(rig, Pose(yaw_mrad=30.0))
    depth = np.full(camera.frame.shape, 100.0, np.float32)
    radius = frame_blur_px(camera, turned, key_of(camera), camera.frame, depth)
    x = (np.arange(192) + 0.5 - 96) / 50
    # Depth along the turned axis of the wall's points, over the distance of its plane of focus.
    offset = x * np.sin(0.03) + 100 * np.cos(0.03) - 100
    wanted = optics.blur_diameter_um(rig, offset) / 40.0
    seen = np.isfinite(radius[64])
    assert seen.sum() > 25
    assert radius[64][seen] == pytest.approx(wanted[seen], abs=2e-3)


def test_the_same_pose_is_the_same_frame(rig):
    """An equal camera counts for all of the view, its edge rows as well."""
    camera, twin = (Camera(rig, Pose(z_mm=1.0, roll_mrad=7.0)) for _ in range(2))
    depth = np.full(camera.frame.grown(10).shape, 104.0, np.float32)
    radius = frame_blur_px(camera, twin, key_of(camera), camera.frame.grown(10), depth)
    assert np.isfinite(radius).all()


@pytest.mark.parametrize("own", [True, False], ids=["with its own focus", "without"])
@pytest.mark.parametrize("seed", range(6))
def test_bounds_hold_every_radius(rig, seed, own):
    """No point between two depths has a radius outside the bounds, in any poses."""
    rng = np.random.default_rng(seed)
    camera = Camera(rig, random_pose(rng))
    focus = tuple(Camera(rig, random_pose(rng), focus_mm=rng.uniform(-1, 1)) for _ in range(3))
    focus = (camera, *focus) if own else focus
    near, far = 100 + np.sort(rng.uniform(-8, 8, 2))
    low, high = radius_range_px(camera, focus, key_of(camera), near, far)
    depth = rng.uniform(near, far, camera.frame.shape).astype(np.float32)
    radius = blur_radius_px(camera, focus, key_of(camera), camera.frame, depth)
    assert low <= radius.min() + 1e-3
    assert high >= radius.max() - 1e-3


def test_bounds_of_one_camera_are_close(rig):
    """For the view's own camera the bounds are the optics' own radii, and 0 across the plane."""
    camera = Camera(rig)
    ends = [float(optics.blur_diameter_um(rig, offset)) / 40 for offset in (2.0, 5.0)]
    assert radius_range_px(camera, (camera,), key_of(camera), 102, 105) == pytest.approx(ends)
    assert radius_range_px(camera, (camera,), key_of(camera), 95, 102)[0] == 0.0
    assert radius_range_px(camera, (), key_of(camera), 95, 102) == (0.0, 0.0)


def test_a_wider_aperture_blurs_in_proportion(rig):
    """Radius goes with the diameter of the pupil."""
    wide = replace(rig, lens=replace(rig.lens, f_number=1.4))
    narrow, open_wide = (radius_px(Camera(r), (Camera(r),), 103.0)[0, 0] for r in (rig, wide))
    assert open_wide == pytest.approx(2 * narrow, rel=1e-5)


@pytest.mark.parametrize("scale", [1, 2, 4])
def test_places_of_a_window_are_the_centres_of_its_samples(rig, scale):
    """The first pixel's centre is (0.5, 0.5), and rays through the places are those of the view."""
    camera = Camera(rig)
    window = Window(0, 128, 0, 192, scale)
    row, col = _places(window)
    assert (row[0, 0], col[0, 0]) == (scale / 2, scale / 2)
    down, across = camera.field_axes(window)
    row_mid, col_mid = camera.middle_px
    np.testing.assert_allclose((row - row_mid) / camera.focal_px, down, atol=1e-6)
    np.testing.assert_allclose((col - col_mid) / camera.focal_px, across, atol=1e-6)
