"""Windows of a suite: real pixels, laid where a scene has depth, and refused where it is flat."""

import numpy as np
import pytest

from stacktruth.runners.bench.grid.cells import cells_of, stacks_of
from stacktruth.runners.bench.grid.suite import Suite, load_suite
from stacktruth.runners.bench.grid.windows import (
    LEAST_DEPTHS,
    deepest_window,
    depths_of_field,
    refuse_flat,
    window_crop,
    windows_of,
)
from stacktruth.runners.bench.report.case_pictures import _is_case
from stacktruth.simulator import load_rig, load_scene, view_depth
from stacktruth.simulator.data import list_data_files
from stacktruth.simulator.optics import depth_of_field_mm
from stacktruth.simulator.scene.scene import SceneWindow

RIG = load_rig("field-2x")


def test_a_window_lies_about_its_point() -> None:
    """By hand: at 2x a millimetre is 2 / 0.0039 = 512.8 pixels from the middle of 6000 x 4000."""
    crop = window_crop(RIG, (640, 448), SceneWindow(at_mm=(1.0, -2.0)))
    assert crop == (640, 448, round(3000 + 512.82 - 320), round(2000 - 1025.64 - 224))
    wide = window_crop(RIG, (640, 448), SceneWindow(at_mm=(0.0, 0.0), wide=2))
    assert wide == (1280, 224, 3000 - 640, 2000 - 112)


def test_depth_is_counted_in_depths_of_field() -> None:
    """The ramp falls 2.9 mm over 11.7: 2048 of its pixels 0.9 of 0.99 mm, a window's 5 to 95 %."""
    scene = load_scene("ramp")
    crop = (2048, 140, 1976, 1930)
    depth = view_depth(scene, RIG, crop=crop, bin=4)
    near, far = np.nanpercentile(depth, (5, 95))
    wanted = (far - near) / depth_of_field_mm(RIG, blur_um=30.0).total_mm
    assert depths_of_field(scene, RIG, crop) == pytest.approx(wanted, rel=0.02)
    assert far - near == pytest.approx(0.9 * 2048 / 512.82 * 2.9 / 11.7, rel=0.05)


def test_a_flat_window_is_refused() -> None:
    """A part of the ramp that is 640 pixels wide; told with its size, place and depth."""
    with pytest.raises(ValueError, match=r"640x448\+2680\+1776 of ramp .* got a depth of 1\.\d"):
        refuse_flat(load_scene("ramp"), RIG, (640, 448, 2680, 1776))


@pytest.mark.slow
@pytest.mark.parametrize("name", list_data_files("scene"))
def test_every_window_that_is_shipped_has_depth(name: str) -> None:
    """Of at least three depths of field, on the sensor of the scene's own rig."""
    scene = load_scene(name)
    assert scene.kinds
    assert scene.windows
    for rig, crop in windows_of(scene, load_rig(scene.rig), (640, 448)):
        assert depths_of_field(scene, rig, crop) >= LEAST_DEPTHS


def test_a_scene_without_windows_gets_its_deepest() -> None:
    """Deeper than the middle, and within the sensor."""
    scene = load_scene("pickets")
    crop = deepest_window(scene, RIG, (640, 448))
    assert depths_of_field(scene, RIG, crop) >= depths_of_field(scene, RIG, (640, 448, 2680, 1776))
    assert crop[2] + 640 <= 6000
    assert crop[3] + 448 <= 4000


def test_a_suite_lays_its_crop_on_each_window() -> None:
    """Two windows and two stances: four stacks, each with a pass through its own window's depth."""
    suite = Suite(
        name="w", scenes=("coin",), methods=("mean",), stances=("stepped", "braced"),
        crop=(640, 448), windows=True,
    )  # fmt: skip
    shoots = [spec.shoot for spec in stacks_of(suite)]
    assert len({shoot.crop for shoot in shoots}) == 2
    assert len(shoots) == 4
    scene = load_scene("coin")
    for shoot in shoots:
        assert shoot.bin == 1
        assert scene.depth_mm[0] - 0.6 < shoot.approach.start_mm
        assert shoot.approach.length_mm < scene.depth_mm[1] - scene.depth_mm[0] + 1.2
    assert suite.shortcomings == ()


def test_a_case_is_shown_in_its_own_window() -> None:
    """Two stacks that differ only in their window are two cases, as the rows tell them."""
    suite = Suite(
        name="w", scenes=("coin",), methods=("mean",), stances=("stepped",), crop=(640, 448),
        windows=True,
    )  # fmt: skip
    cells = cells_of(suite)
    cases = [{"scene": "coin", "window": cell.stack.window, "seed": 1} for cell in cells]
    assert [[_is_case(cell, case) for cell in cells] for case in cases] == np.eye(2).tolist()


def test_what_a_suite_lacks_is_said() -> None:
    """Merged pixels and cut passes rank nothing; the standard suite lacks neither."""
    assert load_suite("standard").shortcomings == ()
    assert len(load_suite("binned").shortcomings) == 2
    assert "quick" in load_suite("quick").title
    assert "8 x 8 real pixels" in load_suite("quick").shortcomings[0]
    with pytest.raises(ValueError, match="windows"):
        Suite(name="w", scenes=("coin",), methods=("mean",), windows=True)
