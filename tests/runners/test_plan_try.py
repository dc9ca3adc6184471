"""One try of a plan: passes as people make them, the depths that they miss, a folder, a page."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest

from stacktruth.runners.cli import main
from stacktruth.runners.plan import Setting, sharpness_for
from stacktruth.runners.plan.draw.planned import KEY, Planned, planned_data, read_planned
from stacktruth.runners.plan.draw.way import Way
from stacktruth.runners.plan.study.tries import shoot_try, try_of
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.handling.hands import load_stance
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.handling.sway import load_subject
from stacktruth.simulator.stack.stackio import read_stack

DEPTH_MM = 0.6
#: Half the depth of field, N c / m^2: f/5.6 works at 16.8, c is the sensor's width over 1250.
HALF_MM = 16.8 * (6000 * 3.9e-3 / 1250) / 2**2


def setting(stance="stepped", **changes):
    """Return a setting of 0.6 mm at 2:1, on a steady lamp."""
    rig = load_rig("field-2x")
    return Setting(
        rig=rig,
        stance=replace(load_stance(stance), **changes),
        light=load_light("steady-lamp"),
        subject=load_subject("still"),
        depth_mm=DEPTH_MM,
        sharpness=sharpness_for("screen", rig.sensor),
    )


def planned(*, step_mm=0.3, frames=3, passes=1, apart_mm=0.0):
    """Return a pass of counted steps from the nearest point on."""
    approach = Approach(kind="stepped", start_mm=0.0, step_mm=step_mm)
    way = Way(passes=passes, frames=frames, approach=approach, apart_mm=apart_mm)
    return Planned(setting=setting(), way=way, chance=0.25)


def one_try(asked):
    """Return a try of it on a ramp whose nearest point lies at -0.3 mm."""
    how = {"crop": (96, 64), "bin": 8}
    return try_of(asked, load_scene("ramp"), ends_mm=(-0.3, 0.3), seed=1, **how)


def test_the_missed_depths_are_those_between_the_frames():
    """Planes at 0, 0.3 and 0.6 mm, each holding N c / m^2 to either side (textbook formula)."""
    made = one_try(planned())
    gaps = [(HALF_MM, 0.3 - HALF_MM), (0.3 + HALF_MM, 0.6 - HALF_MM)]
    np.testing.assert_allclose(made.missed, gaps, atol=1e-3)
    assert made.lanes.share == pytest.approx(4 * HALF_MM / DEPTH_MM, abs=0.005)
    assert not made.deeper


def test_a_second_pass_fills_the_gaps_of_the_first():
    """Laid half a step apart, two passes hold what one misses."""
    made = one_try(planned(passes=2, frames=4, apart_mm=0.15))
    assert made.missed == ()
    assert made.lanes.later_passes == (4,)


def test_a_frame_that_does_not_show_all_of_the_subject_does_not_count():
    """A subject wider than the picture is 23.4 / 2 = 11.7 mm wide is cut off in every frame."""
    asked = planned()
    wide = replace(asked, setting=replace(asked.setting, subject_mm=11.8))
    made = one_try(wide)
    assert made.faults == (("cut off",) * 3,)
    assert made.missed == ((0.0, DEPTH_MM),)


def test_people_start_where_they_did_not_mean_to():
    """As widely as the stance says, by a chi-square over 80 seeds; without error, exactly there."""
    way = Way(passes=1, frames=4, approach=Approach(kind="lean", start_mm=0.1, length_mm=0.6))
    scene, error_mm = load_scene("ramp"), 0.5
    asked = setting("braced", start_error_mm=error_mm)
    off = np.array(
        [shoot_try(way, asked, scene, seed=n)[0].approach.start_mm - 0.1 for n in range(80)]
    )
    assert abs(off.mean()) < 4 * error_mm / np.sqrt(80)
    assert abs(off.std() - error_mm) < 4 * error_mm / np.sqrt(160)
    exact = setting("braced", start_error_mm=0.0)
    assert shoot_try(way, exact, scene, seed=3)[0].approach.start_mm == 0.1


def plan_file(folder, asked):
    """Write the file of a plan, with what is needed of it, and return its path."""
    path = folder / "plan.json"
    path.write_text(json.dumps({"format": 2, KEY: planned_data(asked)}), encoding="utf-8")
    return path


def test_a_plan_is_read_as_it_was_written(tmp_path):
    """Rig, hands, light and subject in full, to the last digit."""
    asked = planned(passes=2, apart_mm=1 / 3)
    assert read_planned(plan_file(tmp_path, asked)) == asked


@pytest.mark.slow
def test_render_shoots_what_was_planned(tmp_path, capsys):
    """A stack a pass, the planes where the plan has them, and one page that holds its pictures."""
    path, out = plan_file(tmp_path, planned(frames=2, passes=2, apart_mm=0.1)), tmp_path / "out"
    how = ["--crop", "96x64", "--bin", "8", "--quality", "fast", "--no-progress"]
    assert main(["render", "ramp", "--plan", str(path), *how, "--out", str(out)]) == 0
    assert "Missed: " in capsys.readouterr().out
    assert sorted(one.name for one in out.iterdir()) == ["index.html", "pass-1", "pass-2"]
    planes = [read_stack(out / f"pass-{n}").records["focus_z_mm"].to_numpy() for n in (1, 2)]
    np.testing.assert_allclose(np.diff(planes[0]), 0.3, atol=1e-9)
    np.testing.assert_allclose(planes[1] - planes[0], 0.1, atol=1e-9)
    page = (out / "index.html").read_text(encoding="utf-8")
    pictures = re.findall('<img[^>]* src="([^"]{5})', page)
    assert pictures == ["data:"] * (1 + 4)
    assert '<p class="verdict missed">Missed: ' in page


@pytest.mark.parametrize(
    ("change", "more", "told"),
    [
        ({}, ["--stance", "braced"], "--stance is what the plan says"),
        ({"way": {"passes": 0}}, [], "key 'way.passes': got 0, allowed 1 to 100"),
        ({"setting": {"depth_mm": "deep"}}, [], "depth_mm"),
        (None, [], "got no key 'to_shoot'"),
    ],
)
def test_what_cannot_be_shot_is_refused(change, more, told, tmp_path, capsys):
    """Exit status 2, one reason, nothing written."""
    path, out = plan_file(tmp_path, planned()), tmp_path / "out"
    values = json.loads(path.read_text(encoding="utf-8"))
    for part, keys in (change or {}).items():
        values[KEY][part].update(keys)
    path.write_text(json.dumps(values if change is not None else {"format": 2}), encoding="utf-8")
    assert main(["render", "ramp", "--plan", str(path), *more, "--out", str(out)]) == 2
    assert told in capsys.readouterr().err
    assert not out.exists()
