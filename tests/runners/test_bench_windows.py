"""Windows of a suite: real pixels, laid where a scene has depth, and refused where it is flat."""

from dataclasses import replace

import numpy as np
import pytest

from stacktruth.runners.bench.grid import windows
from stacktruth.runners.bench.grid.cells import cells_of, stacks_of
from stacktruth.runners.bench.grid.suite import Ladder, Place, Suite, load_suite
from stacktruth.runners.bench.grid.windows import (
    LEAST_DEPTHS,
    deepest_window,
    depths_of_field,
    located,
    refuse_flat,
    window_crop,
    window_depth_mm,
    windows_of,
)
from stacktruth.runners.bench.report.case_pictures import _is_case
from stacktruth.runners.methods import METHODS
from stacktruth.simulator import load_rig, load_scene, view_depth
from stacktruth.simulator.data import list_data_files
from stacktruth.simulator.optics import depth_of_field_mm
from stacktruth.simulator.rig import stopped_to
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
    found = depths_of_field(window_depth_mm(scene, RIG, crop), RIG)
    assert found == pytest.approx(wanted, rel=0.02)
    assert far - near == pytest.approx(0.9 * 2048 / 512.82 * 2.9 / 11.7, rel=0.05)


def test_a_flat_window_is_refused() -> None:
    """A part of the ramp that is 640 pixels wide; told with its size, place and depth."""
    crop = (640, 448, 2680, 1776)
    depth = window_depth_mm(load_scene("ramp"), RIG, crop)
    place = Place(scene="ramp", rig=RIG.name, crop=crop, depth_mm=depth)
    with pytest.raises(ValueError, match=r"640x448\+2680\+1776 of ramp .* got a depth of 1\.\d"):
        refuse_flat(place, RIG)


def test_a_window_shows_something_in_the_middle_of_its_depth() -> None:
    """The view is the middle frame's: near and far alone would leave no edge in it to find."""
    scene = load_scene("targets:1")
    crop = deepest_window(scene, RIG, (480, 320))
    depth = np.clip(view_depth(scene, RIG, crop=crop, bin=4), *scene.depth_mm)
    off_mm = np.abs(depth - np.percentile(depth, (5, 95)).mean())
    assert (off_mm < 5 * depth_of_field_mm(RIG, blur_um=30.0).total_mm).mean() > 0.04


@pytest.mark.slow
@pytest.mark.parametrize("name", list_data_files("scene"))
def test_every_window_that_is_shipped_has_depth(name: str) -> None:
    """Of at least three depths of field, on the sensor of the scene's own rig."""
    scene = load_scene(name)
    assert scene.kinds
    assert scene.windows
    for rig, crop in windows_of(scene, load_rig(scene.rig), (640, 448)):
        assert depths_of_field(window_depth_mm(scene, rig, crop), rig) >= LEAST_DEPTHS


def test_a_scene_without_windows_gets_its_deepest() -> None:
    """Deeper than the middle, and within the sensor."""
    scene = load_scene("pickets")
    crop = deepest_window(scene, RIG, (640, 448))
    middle = window_depth_mm(scene, RIG, (640, 448, 2680, 1776))
    assert np.ptp(window_depth_mm(scene, RIG, crop)) >= np.ptp(middle)
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


def test_a_place_that_is_told_is_not_looked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is where the pass goes, and what a worker would find is what the suite's file says."""
    suite = Suite(name="w", scenes=("ramp",), methods=("mean",), crop=(640, 448), windows=True)
    found = located(suite)
    assert located(found) == found
    keys = [spec.key for spec in stacks_of(suite)]
    monkeypatch.setattr(windows, "view_depth", lambda *_, **__: pytest.fail("looked"))
    assert [spec.key for spec in stacks_of(found)] == keys
    deeper = replace(found.places[0], depth_mm=(-2.0, 2.0))
    (shoot,) = [spec.shoot for spec in stacks_of(replace(found, places=(deeper,)))]
    assert shoot.approach.start_mm + shoot.approach.length_mm > 2.0
    flat = replace(found.places[0], depth_mm=(-0.1, 0.1))
    with pytest.raises(ValueError, match="depths of field, allowed 3"):
        list(stacks_of(replace(found, places=(flat,))))


def test_a_ladder_keeps_to_its_stances_and_to_the_window(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another light is another shoot, through the depth of the same window."""
    place = Place(scene="ramp", rig="field-2x", crop=(640, 448, 0, 0), depth_mm=(0.3, 1.3))
    ladder = Ladder(
        factor="hasty-flash", values=(1, 2, 4, 8, 16), stances=("braced",), light="flash-quarter"
    )
    suite = Suite(
        name="w", scenes=("ramp",), methods=("mean",), stances=("stepped", "braced"),
        crop=(640, 448), windows=True, places=(place,), ladders=(ladder,),
    )  # fmt: skip
    monkeypatch.setattr(windows, "view_depth", lambda *_, **__: pytest.fail("looked"))
    plain, worse = [], []
    for spec in stacks_of(suite):
        (worse if spec.severity else plain).append(spec.shoot)
    assert [shoot.stance.name for shoot in plain] == ["stepped", "braced"]
    assert [shoot.stance.name for shoot in worse] == ["braced"] * 5
    assert {shoot.frames for shoot in worse} == {plain[1].frames}


def test_a_case_is_shown_in_its_own_window() -> None:
    """Two stacks that differ only in their window are two cases, as the rows tell them."""
    suite = Suite(
        name="w", scenes=("coin",), methods=("mean",), stances=("stepped",), crop=(640, 448),
        windows=True,
    )  # fmt: skip
    cells = cells_of(suite)
    cases = [{"scene": "coin", "window": cell.stack.window, "seed": 1} for cell in cells]
    assert [[_is_case(cell, case) for cell in cells] for case in cases] == np.eye(2).tolist()


@pytest.mark.parametrize("asked", ["coin:1", "earlier/coin:1"])
def test_a_ladder_is_for_the_draw_that_it_names(asked) -> None:
    """By whatever name it is asked for, and for no other scene."""
    ladder = {"factor": "noise", "values": (200, 400, 800, 1600, 3200), "scenes": (asked,)}
    suite = Suite(name="l", scenes=(asked, "ramp"), methods=("mean",), frames=5, ladders=(ladder,))
    worse = [cell.stack for cell in cells_of(suite) if cell.stack.severity]
    assert [stack.shoot.scene.name for stack in worse] == ["coin-1"] * 5


#: Families of which every draw that was tried took too long.
TOO_DEAR = {"petal-edge"}
#: Families that are younger than the published suites.
YOUNGER = {"beetle", "clear-wing", "dew-lens"}


def test_the_standard_suite_is_what_it_promises() -> None:
    """Fixed and drawn scenes, each in its place, at 1x to 5x, and the methods that are built in."""
    suite = load_suite("standard")
    drawn = [name for name in suite.scenes if ":" in name]
    assert len(suite.scenes) - len(drawn) >= 14
    assert len(drawn) >= 32  # of 36 that were asked for: four were too dear
    families = {name.partition(":")[0].removeprefix("earlier/") for name in drawn}
    assert families == set(list_data_files("family")) - TOO_DEAR - YOUNGER
    assert [place.scene for place in suite.places] == list(suite.scenes)
    assert {place.rig for place in suite.places} == {"field-1x", "field-2x", "field-5x"}
    for place in suite.places:
        rig = load_rig(place.rig)
        own = stopped_to(rig, place.f_number or rig.lens.f_number)
        assert depths_of_field(place.depth_mm, own) >= LEAST_DEPTHS
    missing = set(METHODS) - {name.partition("+")[0] for name in suite.methods}
    assert missing == {"weighted-gradient", "dense-sift"}  # younger than the published run
    assert set(suite.stances) == {"stepped", "braced"}


def test_the_large_suite_is_of_other_scenes() -> None:
    """A hundred and more of all families, none that the standard suite has, and every method."""
    suite = load_suite("large")
    assert len(suite.scenes) >= 100
    families = {name.partition(":")[0] for name in suite.scenes}
    assert families == set(list_data_files("family")) - YOUNGER
    assert not {*suite.scenes} & {*load_suite("standard").scenes}
    assert [place.scene for place in suite.places] == list(suite.scenes)
    for place in suite.places:
        rig = load_rig(place.rig)
        own = stopped_to(rig, place.f_number or rig.lens.f_number)
        assert depths_of_field(place.depth_mm, own) >= LEAST_DEPTHS
    assert set(METHODS) <= {name.partition("+")[0] for name in suite.methods}
    assert suite.shortcomings == ()


@pytest.mark.slow
@pytest.mark.parametrize("number", range(0, 46, 9))
def test_a_place_of_the_standard_suite_is_as_deep_as_it_says(number: int) -> None:
    """Measured anew, of every ninth."""
    place = load_suite("standard").places[number]
    found = window_depth_mm(load_scene(place.scene), load_rig(place.rig), place.crop)
    assert found == pytest.approx(place.depth_mm, abs=0.01)


def test_what_a_suite_lacks_is_said() -> None:
    """Merged pixels and cut passes rank nothing; the standard suite lacks neither."""
    assert load_suite("standard").shortcomings == ()
    assert len(load_suite("binned").shortcomings) == 2
    assert "quick" in load_suite("quick").title
    assert "8 x 8 real pixels" in load_suite("quick").shortcomings[0]
    with pytest.raises(ValueError, match="windows"):
        Suite(name="w", scenes=("coin",), methods=("mean",), windows=True)
