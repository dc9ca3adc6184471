"""Where one view's points appear in another: against projection, by plane geometry."""

import numpy as np
import pytest

from stacktruth.simulator import Pose, load_rig, load_scene, optics
from stacktruth.simulator.handling.sway import SubjectPose
from stacktruth.simulator.pose import NOMINAL
from stacktruth.simulator.scene.relief.plain import Slope
from stacktruth.simulator.scene.scene import Outline
from stacktruth.simulator.shooting.motion import (
    blur_diameter_px,
    motion_summary,
    nearest,
    places_in,
    points_in,
)
from stacktruth.simulator.shooting.truth import truth_of
from stacktruth.simulator.view.camera import Camera

WALL_MM, BAR_MM, LEFT_MM, RIGHT_MM = 20.0, -1.0, -0.287, 0.313
POSES = [
    Pose(x_mm=1.0),
    Pose(x_mm=-0.953, z_mm=0.7),
    Pose(x_mm=0.8, y_mm=0.1, z_mm=-0.5, pitch_mrad=2, yaw_mrad=1.5, roll_mrad=5),
]


@pytest.fixture(scope="module")
def bar_before_wall(scene, sheet):
    """Make a bar before a far wall: what is hidden follows from two planes."""
    bar = sheet(
        "bar",
        centre_mm=((LEFT_MM + RIGHT_MM) / 2, 0, BAR_MM),
        outline=Outline(kind="rectangle", size_mm=(RIGHT_MM - LEFT_MM, 20)),
    )
    return scene(sheet("wall", centre_mm=(0, 0, WALL_MM), living=False), bar)


def points_of(camera):
    """Return the points in space that a nominal camera's pixels show, and whether on the bar."""
    rows, cols = camera.frame.shape
    down, across = (
        (np.arange(rows) + 0.5 - rows / 2) / 5000,
        (np.arange(cols) + 0.5 - cols / 2) / 5000,
    )
    x = across[None, :] + 0 * down[:, None]
    y = down[:, None] + 0 * across[None, :]
    on_bar = (x * (100 + BAR_MM) > LEFT_MM) & (x * (100 + BAR_MM) < RIGHT_MM)
    depth = np.where(on_bar, 100 + BAR_MM, 100 + WALL_MM)
    return np.stack([x * depth, y * depth, depth - 100], axis=-1), on_bar


def hidden_from(eye_mm, points, on_bar, margin_mm=0.0):
    """Return which points of the wall the bar hides from an eye; a margin widens the bar."""
    share = (BAR_MM - eye_mm[2]) / (points[..., 2] - eye_mm[2])
    x = eye_mm[0] + share * (points[..., 0] - eye_mm[0])
    return ~on_bar & (x > LEFT_MM - margin_mm) & (x < RIGHT_MM + margin_mm)


@pytest.mark.parametrize("pose", POSES)
def test_places_are_those_of_the_points_in_space(rig, bar_before_wall, pose):
    """Each pixel's point, projected into the other camera; indices count from pixel centres."""
    camera, other = Camera(rig), Camera(rig, pose)
    places = places_in(nearest(bar_before_wall, camera), other)
    points, _ = points_of(camera)
    row, col, _ = other.project(points)
    seen = np.isfinite(places[..., 0])
    assert places[..., 0][seen] == pytest.approx(row[seen] - 0.5, abs=2e-4)
    assert places[..., 1][seen] == pytest.approx(col[seen] - 0.5, abs=2e-4)


@pytest.mark.parametrize("pose", POSES)
def test_nothing_is_known_of_what_is_hidden_or_outside(rig, bar_before_wall, pose):
    """NaN behind the bar and beyond the frame, places everywhere else; a pixel's play at edges."""
    camera, other = Camera(rig), Camera(rig, pose)
    seen = np.isfinite(places_in(nearest(bar_before_wall, camera), other)[..., 0])
    points, on_bar = points_of(camera)
    row, col, _ = other.project(points)
    inside = (row > 0.01) & (row < 127.99) & (col > 0.01) & (col < 191.99)
    hidden = hidden_from(other.pupil_mm, points, on_bar)
    surely_hidden = hidden_from(other.pupil_mm, points, on_bar, margin_mm=-1.5 / 50)
    assert surely_hidden.sum() > 500
    assert not seen[surely_hidden].any()
    assert seen[inside & ~hidden].all()
    assert not seen[(row < -0.01) | (row > 128.01) | (col < -0.01) | (col > 192.01)].any()


def test_a_view_finds_itself(rig, bar_before_wall):
    """From a camera to itself every pixel stays where it is."""
    places = places_in(nearest(bar_before_wall, Camera(rig)), Camera(rig))
    assert places == pytest.approx(np.moveaxis(np.indices((128, 192)), 0, -1), abs=1e-4)


def test_there_and_back_again_is_where_it_was():
    """On a relief: a point's place in the other view leads back to the pixel it came from."""
    scene = load_scene("snail-shell")
    field = load_rig(scene.rig)
    pose = Pose(x_mm=0.05, y_mm=-0.02, z_mm=0.6, yaw_mrad=-0.4, roll_mrad=4)
    camera, other = (Camera(field, p, crop=(768, 512), bin=4) for p in (NOMINAL, pose))
    there, back = (
        places_in(nearest(scene, camera), other),
        places_in(nearest(scene, other), camera),
    )
    seen = np.isfinite(there[..., 0])
    row, col = (np.rint(there[..., axis][seen]).astype(int) for axis in (0, 1))
    home = back[row, col] + there[seen] - np.stack([row, col], axis=-1)
    away = np.linalg.norm(home - np.argwhere(seen), axis=1)
    # The way back is taken from the nearest whole pixel, which costs a little on slopes.
    assert seen.mean() > 0.9
    assert np.nanmedian(away) < 0.02
    assert np.nanquantile(away, 0.99) < 0.3


def test_nowhere_where_nothing_is(rig, scene, sheet):
    """Pixels that show the backdrop have no place."""
    card = sheet(outline=Outline(kind="rectangle", size_mm=(2, 1)))
    places = places_in(nearest(scene(card), Camera(rig)), Camera(rig, Pose(x_mm=0.1)))
    seen = np.isfinite(places[..., 0])
    assert seen.sum() == 100 * 50
    assert seen[39:89, 46:146].all()


def test_a_living_part_takes_its_points_along(rig, bar_before_wall):
    """The subject moved 0.2 mm to the right and 0.1 mm up, and so did its points; the wall not."""
    camera = Camera(rig)
    other = Camera(rig, subject=SubjectPose(x_mm=0.2, y_mm=-0.1))
    places = places_in(nearest(bar_before_wall, camera), other)
    _, on_bar = points_of(camera)
    moved = places - np.moveaxis(np.indices((128, 192)), 0, -1)
    per_mm = 5000 / 99
    bar = np.isfinite(places[..., 0]) & on_bar
    assert moved[bar] == pytest.approx(
        np.broadcast_to([-0.1 * per_mm, 0.2 * per_mm], (bar.sum(), 2)), abs=1e-3
    )
    wall = np.isfinite(places[..., 0]) & ~on_bar
    assert moved[wall] == pytest.approx(np.zeros((wall.sum(), 2)), abs=1e-4)
    # Behind the bar's new place nothing is known: its width of wall, less what it hid before.
    assert np.isnan(moved[64, 112:120, 1]).all()


def test_refocusing_moves_points_from_the_middle(rig, bar_before_wall):
    """A lens focused farther draws everything smaller, about the axis: v / u = 105 / 2 = 95.45."""
    camera, other = Camera(rig), Camera(rig, focus_mm=5.0)
    places = places_in(nearest(bar_before_wall, camera), other)
    middle = np.array([63.5, 95.5])
    wanted = middle + (np.moveaxis(np.indices((128, 192)), 0, -1) - middle) * (
        105 / (105 / 50 - 1) / 100
    )
    assert places == pytest.approx(wanted, abs=1e-3)


# ---- in short ---------------------------------------------------------------------------------


def moved_to(scene, rig, pose):
    """Return how a view moves from the nominal pose to another."""
    return motion_summary(nearest(scene, Camera(rig)), Camera(rig, pose))


def test_a_step_toward_a_wall_magnifies_it(rig, scene, sheet):
    """A wall at distance Z grows by Z / (Z - s) for a step s, and nothing is left over."""
    got = moved_to(scene(sheet(centre_mm=(0, 0, 3))), rig, Pose(z_mm=2.0))
    assert got.scale == pytest.approx(103 / 101, rel=1e-5)
    assert (got.right_px, got.down_px) == pytest.approx((0, 0), abs=1e-3)
    assert got.parallax_px == pytest.approx(0, abs=1e-3)
    # 101 of 103 mm of each side are still in the picture, but for a row and a column of pixels.
    assert got.shown_share == pytest.approx((101 / 103) ** 2, abs=0.02)


def test_shift_and_roll_are_told_apart(rig, scene, sheet):
    """A camera to the right and down moves the picture left and up; its roll turns it back."""
    got = moved_to(scene(sheet(centre_mm=(0, 0, 3))), rig, Pose(x_mm=0.3, y_mm=0.1))
    assert (got.right_px, got.down_px) == pytest.approx((-0.3 * 5000 / 103, -0.1 * 5000 / 103))
    assert (got.scale, got.turn_mrad) == pytest.approx((1, 0), abs=1e-4)
    got = moved_to(scene(sheet()), rig, Pose(roll_mrad=12))
    assert got.turn_mrad == pytest.approx(-12, rel=1e-4)
    assert got.scale == pytest.approx(1, rel=1e-5)


def test_parallax_is_what_no_similarity_explains(rig, bar_before_wall):
    """Depths part by f dx (1/Z1 - 1/Z2); a share p of the picture leaves sqrt(p - p^2) of that."""
    got = moved_to(bar_before_wall, rig, Pose(y_mm=0.5))
    apart = 0.5 * 5000 * (1 / (100 + BAR_MM) - 1 / (100 + WALL_MM))
    share = points_of(Camera(rig))[1].mean()
    assert got.parallax_px == pytest.approx(apart * np.sqrt(share - share**2), rel=0.05)


def test_a_view_with_nothing_in_common_has_no_motion(rig, scene, sheet):
    """Far aside nothing is shown, and that is said."""
    got = moved_to(scene(sheet()), rig, Pose(x_mm=50.0))
    assert got.shown_share == 0
    assert np.isnan([got.scale, got.parallax_px]).all()


def test_the_least_blur_of_all_frames_is_the_residual(rig, scene, sheet):
    """Diameters of the frames of a pass: optics' own, and their least is the truth's."""
    card = scene(sheet(relief=Slope(slope_x=0.4)))
    frames = {n: Camera(rig, Pose(z_mm=z)) for n, z in enumerate((-0.7, 0.0, 0.7))}
    seen = nearest(card, frames[1])
    each = np.stack([blur_diameter_px(seen, camera) for camera in frames.values()])
    truth = truth_of(card, frames[1], frames, reference=1)
    assert np.nanmin(each, axis=0) == pytest.approx(2 * truth.residual_blur_px, abs=1e-4)
    wanted = np.asarray(optics.blur_diameter_um(rig, truth.depth_mm - 0.7)) / 20
    shown = np.isfinite(each[2])
    assert 0.9 < shown.mean() < 1
    assert each[2][shown] == pytest.approx(wanted[shown], abs=2e-3)


def test_single_points_move_as_the_whole_field() -> None:
    """Each where the field has it, hidden or not; outside the other picture both know nothing."""
    scene, rig = load_scene("snail-shell"), load_rig("field-2x")
    seen = nearest(scene, Camera(rig, crop=(1536, 1024), bin=8))
    other = Camera(rig, Pose(x_mm=0.4, z_mm=0.7, roll_mrad=20.0), crop=(1536, 1024), bin=8)
    field = places_in(seen, other)
    rows, cols = (one.ravel() for one in np.indices(field.shape[:2]))
    points = points_in(seen, other, rows, cols).reshape(field.shape)
    known = np.isfinite(field[..., 0])
    assert 0.5 < known.mean() < 1.0
    np.testing.assert_allclose(points[known], field[known], atol=1e-3)
    hidden = np.isfinite(points[..., 0]) & ~known
    assert hidden.mean() < 0.05
