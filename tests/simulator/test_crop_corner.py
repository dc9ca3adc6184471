"""A crop that lies aside: the same pixels as that part of the whole picture has."""

import numpy as np
import pytest

from stacktruth.simulator import load_rig, load_scene, render_view, view_depth
from stacktruth.simulator.pose import Pose
from stacktruth.simulator.rig import Rig
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.view.camera import Camera, crop_text

RIG = load_rig("test-rig")
#: Columns and rows of the whole.
WIDE, HIGH = RIG.sensor.width_px, RIG.sensor.height_px


def test_a_crop_about_the_middle_is_one_by_its_corner() -> None:
    """Written in either way, byte for byte."""
    scene = load_scene("pickets")
    corner = ((WIDE - 64) // 2, (HIGH - 40) // 2)
    first, second = (render_view(scene, RIG, crop=c) for c in ((64, 40), (64, 40, *corner)))
    assert np.array_equal(first, second)


@pytest.mark.parametrize("pose", [Pose(), Pose(x_mm=0.1, y_mm=-0.2, z_mm=0.3, pitch_mrad=2.0)])
def test_depth_of_a_part_is_that_of_the_whole(pose: Pose) -> None:
    """Point samples: the same rays, to rounding, also where the camera is turned."""
    scene = load_scene("ramp")
    left, top = 24, HIGH // 5
    whole = view_depth(scene, RIG, pose=pose)
    part = view_depth(scene, RIG, pose=pose, crop=(64, 40, left, top))
    assert np.nanmax(np.abs(part - whole[top : top + 40, left : left + 64])) < 1e-5


def test_a_pixel_alone_is_that_of_the_whole() -> None:
    """On a ball, which has no neighbour then to tell how far apart its rays are."""
    scene = load_scene("sticky-leaf")
    whole = view_depth(scene, RIG, crop=(64, 64))
    row, col = divmod(int(np.nanargmin(whole)), 64)
    at = (1, 1, (WIDE - 64) // 2 + col, (HIGH - 64) // 2 + row)
    assert np.abs(view_depth(scene, RIG, crop=at) - whole[row, col]).max() < 1e-5


def test_picture_of_a_part_is_that_of_the_whole() -> None:
    """Blur reaches in from beyond the crop as from the rest of the picture."""
    scene = load_scene("pickets")
    left, top = 24, HIGH // 5
    whole = render_view(scene, RIG, quality="fast", focus_mm=0.5)
    part = render_view(scene, RIG, quality="fast", focus_mm=0.5, crop=(64, 40, left, top))
    apart = np.abs(part - whole[top : top + 40, left : left + 64])
    assert apart.max() < 0.01
    assert apart.mean() < 5e-4


def test_merged_pixels_of_a_part_lie_where_they_should() -> None:
    """Two by two: the depth of the whole, merged from the same corner."""
    scene = load_scene("ramp")
    whole = view_depth(scene, RIG, bin=2)
    part = view_depth(scene, RIG, bin=2, crop=(64, 40, 24, 32))
    assert np.nanmax(np.abs(part - whole[16:36, 12:44])) < 1e-5


def test_a_shoot_takes_a_part() -> None:
    """Frames and truth have its size, and its depth is that of the view."""
    plan = shoot(load_scene("ramp"), RIG, stance="stepped", frames=2, crop=(48, 32, 8, 16))
    assert plan.frame(0).image.shape == (32, 48, 3)
    assert plan.truth().depth_mm.shape == (32, 48)


def refused(rig: Rig) -> list[tuple[int, int, int, int]]:
    """Return crops that no sensor of this rig has."""
    wide, high = rig.sensor.width_px, rig.sensor.height_px
    return [(64, 40, wide - 63, 0), (64, 40, 0, high - 39), (64, 40, -1, 0), (0, 40, 0, 0)]


@pytest.mark.parametrize("crop", refused(RIG))
def test_a_part_beyond_the_sensor_is_refused(crop: tuple[int, int, int, int]) -> None:
    """With what was asked for and what there is."""
    with pytest.raises(ValueError, match="within its sensor"):
        Camera(RIG, crop=crop)


def test_a_crop_is_written_as_the_command_line_takes_it() -> None:
    """Size, and corner where it has one."""
    assert crop_text((640, 448)) == "640x448"
    assert crop_text((640, 448, 12, 8)) == "640x448+12+8"
