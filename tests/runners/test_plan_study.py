"""The rendered study: its stacks, what it finds in them, and the words and pictures of it."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from scipy import stats

from stacktruth.runners.cli import main
from stacktruth.runners.judge.memory_stack import JoinedShoots, MemoryStack
from stacktruth.runners.plan import Setting, blur_limit, make_plan
from stacktruth.runners.plan.draw.way import Way
from stacktruth.runners.plan.study.report import mean_interval, study_words, summary
from stacktruth.runners.plan.study.study import (
    StudyStack,
    depth_in_view,
    plan_stacks,
    run_study,
    setup_for,
    step_stacks,
)
from stacktruth.simulator import load_rig, load_scene
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.handling.hands import load_stance
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.handling.sway import load_subject
from stacktruth.simulator.shooting.shoot import shoot

CROP = (480, 320)
SCENE = "ramp"
METHOD = "laplacian-pyramid"


def setting(stance="stepped", *, depth_mm=0.3):
    """Return a setting on a steady lamp."""
    rig = load_rig("field-2x")
    return Setting(
        rig=rig,
        stance=load_stance(stance),
        light=load_light("steady-lamp"),
        subject=load_subject("still"),
        depth_mm=depth_mm,
        sharpness=blur_limit(30 / rig.sensor.pitch_um),
    )


@pytest.fixture(scope="module")
def setup():
    """Return a small setup."""
    return setup_for(setting(), SCENE, method=METHOD, crop=CROP)


@pytest.fixture(scope="module")
def rows(setup):
    """Return the study of a fine and a very coarse step on a support."""
    near, far = depth_in_view(setup.scene, setting().rig, crop=CROP)
    asked = setting()
    stacks = []
    for step_mm, frames in ((0.15, 3), (1.2, 2)):
        start = (near + far) / 2 - step_mm * (frames - 1) / 2
        approach = Approach(kind="stepped", start_mm=start, step_mm=step_mm)
        way = Way(passes=1, frames=frames, approach=approach)
        stacks.append(StudyStack(part="step", name="on a support", setting=asked, way=way, seed=0))
    return run_study(stacks, setup)


def test_pixels_are_merged_as_far_as_the_wanted_blur_allows(setup):
    """A blur disc of 30 um on pixels of 3.9 um is 7.7 of them, and three merged ones or more."""
    assert setup.bin == 2
    assert setup.crop == CROP


def test_a_step_across_the_subject_costs_in_the_capture(rows):
    """With both planes of focus beyond the subject, nothing is sharp, and no merge mends that."""
    fine, coarse = rows.iloc[0], rows.iloc[1]
    assert list(rows["status"]) == ["ok", "ok"]
    assert fine["step_share"] == pytest.approx(0.15 / setting().lane.total_mm)
    assert fine["never_share"] < 0.05
    assert coarse["never_share"] > 0.9
    assert fine["capture.psnr_db"] > coarse["capture.psnr_db"] + 10
    assert fine["total.psnr_db"] > coarse["total.psnr_db"] + 3


def test_a_users_method_may_fail_and_is_a_row(tmp_path):
    """Any method runs; one that breaks has its reason in the table, with the frames' own share."""
    source = tmp_path / "mine.py"
    source.write_text("def bad(frames, info):\n    raise ValueError('no such luck')\n")
    small = setup_for(setting(), SCENE, crop=(120, 80), method=f"{source}:bad")
    approach = Approach(kind="stepped", start_mm=0.0, step_mm=0.1)
    way = Way(passes=1, frames=2, approach=approach)
    stack = StudyStack(part="step", name="on a support", setting=setting(), way=way, seed=0)
    (row,) = run_study([stack], small).to_dict("records")
    assert row["status"] == "failed"
    assert "no such luck" in row["reason"]
    assert 0 <= row["never_share"] <= 1


def test_what_was_planned_is_what_is_rendered(rows):
    """On a support the planned share never sharp is the rendered one, but for the pixel grid."""
    np.testing.assert_allclose(rows["predicted_never_share"], rows["never_share"], atol=0.03)


def test_every_step_has_a_stack_for_each_seed(setup):
    """On a support alone without hands; with hands both, over the depth in view."""
    on_support = step_stacks(setting(), setup, shares=(0.5, 1.0), seeds=range(2))
    assert [stack.name for stack in on_support] == ["on a support"] * 4
    both = step_stacks(setting("kneeling"), setup, shares=(0.5,), seeds=[0])
    assert [stack.name for stack in both] == ["on a support", "handheld"]
    near, far = depth_in_view(setup.scene, setting().rig, crop=CROP)
    for stack in on_support:
        planes = stack.way.approach.start_mm + stack.way.approach.step_mm * np.array(
            [0, stack.way.frames - 1]
        )
        assert planes[0] <= near
        assert planes[1] >= far


def test_the_plans_ways_are_laid_in_the_scene(setup):
    """The unplanned way, the advised one and others, from the nearest point of the scene on."""
    asked = setting()
    stacks = plan_stacks(make_plan(asked), setup, seeds=[0])
    names = [stack.name for stack in stacks]
    assert names[:2] == ["unplanned", "as advised"]
    assert len(set(names)) == len(names) <= 4
    near, far = depth_in_view(setup.scene, asked.rig, crop=CROP)
    advised = stacks[1]
    assert advised.setting.depth_mm == pytest.approx(far - near)
    assert near - asked.lane.total_mm < advised.way.approach.start_mm <= near


def test_passes_together_are_one_stack():
    """Frames are numbered through, and the truth counts on those of all passes."""
    asked = {"light": "steady-lamp", "stance": "stepped", "frames": 2, "crop": (240, 160), "bin": 4}
    scene, rig = load_scene(SCENE), load_rig("field-2x")
    passes = [
        shoot(scene, rig, approach=Approach(kind="stepped", start_mm=z, step_mm=0.1), **asked)
        for z in (-0.2, 0.1)
    ]
    joined = JoinedShoots(shoots=tuple(passes))
    assert joined.frames == 4
    assert [record.frame for record in joined.records] == [0, 1, 2, 3]
    assert joined.camera(2).pose.z_mm == pytest.approx(0.1)
    np.testing.assert_array_equal(joined.frame(3).image, passes[1].frame(1).image)
    stack = MemoryStack(joined)
    assert len(stack.info["frames"]) == len(stack.frames) == 4
    alone = passes[0].truth().residual_blur_px
    together = joined.truth(passes[0].reference).residual_blur_px
    assert np.nanmean(together) < np.nanmean(alone)
    with pytest.raises(IndexError, match="got 4, allowed 0 to 3"):
        joined.camera(4)


def test_intervals_are_students():
    """Mean and interval of a few values, against scipy's own."""
    values = np.random.default_rng(1).normal(30, 2, 7)
    mean, low, high = mean_interval(values)
    expected = stats.t.interval(0.95, 6, loc=mean, scale=stats.sem(values))
    assert (low, high) == pytest.approx(expected)
    assert np.isnan(mean_interval(values[:2])[1])
    assert np.isnan(mean_interval(values[:0])[0])


def made_up(**changes):
    """Return rows of a study with known numbers."""
    row = {
        "part": "step",
        "name": "handheld",
        "step_share": 0.5,
        "status": "ok",
        "frames": 10,
        "capture.psnr_db": 40.0,
        "total.psnr_db": 35.0,
        "merge_loss_db": 5.0,
        "never_share": 0.1,
        "predicted_never_share": 0.12,
    }
    return [row | {key: value} for key, values in changes.items() for value in values]


def test_a_failed_merge_is_counted_and_not_averaged():
    """The mean is of those that worked; the frames' own share never sharp is of all."""
    rows = pd.DataFrame(made_up(never_share=(0.1, 0.2, 0.3)))
    rows.loc[2, ["status", "total.psnr_db"]] = ["failed", np.nan]
    (found,) = summary(rows).to_dict("records")
    assert (found["seeds"], found["failed"]) == (3, 1)
    assert found["merged_db"] == 35
    assert found["never_share"] == pytest.approx(0.2)


def test_words_tell_the_coarsest_step_that_does_no_harm():
    """Within 1 dB of the best merged picture; 0.9 is, 1.5 is not."""
    rows = [
        made_up(step_share=(share,))[0] | {"total.psnr_db": psnr}
        for share, psnr in ((0.3, 34.8), (0.5, 35.0), (0.9, 34.1), (1.5, 30.0))
    ]
    (said,) = study_words(summary(pd.DataFrame(rows)))
    assert "within 1 dB of the best of 35.0 dB up to a step of 0.9 of the depth of field" in said


def test_words_do_not_rank_steps_that_differ_by_luck():
    """Shoots of one step 10 dB apart say nothing of steps 1 dB apart."""
    rows = [
        made_up(step_share=(share,))[0] | {"total.psnr_db": psnr + luck}
        for share, psnr in ((0.3, 34.0), (0.9, 35.0))
        for luck in (-5.0, 0.0, 5.0)
    ]
    (said,) = study_words(summary(pd.DataFrame(rows)))
    assert "luck counts for more than the step: means over the shoots go from 34.0 to 35.0" in said
    assert "single shoots of one step from 29.0 to 39.0 dB" in said


@pytest.mark.slow
def test_the_command_leaves_the_study_on_the_page(tmp_path):
    """Table, pictures and words beside the plan; the depth is the scene's own."""
    out = tmp_path / "plan"
    options = ["--stance", "stepped", "--light", "steady-lamp", "--study-crop", "480x320"]
    more = ["--study-steps", "0.6,2.5", "--study-seeds", "1", "--no-progress", "--out", str(out)]
    assert main(["plan", "--rig", "field-2x", "--study", SCENE, *options, *more]) == 0
    rows = pd.read_csv(out / "study.csv")
    assert set(rows["part"]) == {"step", "plan"}
    page = (out / "index.html").read_text(encoding="utf-8")
    assert 'href="try.html"' in page
    shown = (out / "try.html").read_text(encoding="utf-8")
    assert "Merged by laplacian-pyramid" in shown
    assert set(re.findall('src="([^"]{5})', shown)) == {"data:"}
    for name in ("steps.png", "ways.png"):
        assert f'src="{name}"' in page
        with Image.open(out / name) as picture:
            assert picture.width > 500


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--study", SCENE], "--study needs --out"),
        (["--study-seeds", "2", "--subject-depth", "1"], "--study-seeds goes with --study"),
        ([], "a plan needs --subject-depth, or --study"),
        (["--study", "nowhere", "--out", "new"], "unknown scene: got 'nowhere'"),
        (["--study", SCENE, "--study-method", "magic", "--out", "new"], "magic"),
        (["--study", SCENE, "--study-steps", "0.5,0", "--out", "new"], "number above 0"),
    ],
)
def test_a_wrong_study_is_told_before_anything_is_rendered(
    options, told, tmp_path, monkeypatch, capsys
):
    """Exit status 2, one reason, nothing written."""
    monkeypatch.chdir(tmp_path)
    assert main(["plan", "--rig", "field-2x", *options]) == 2
    assert told in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_a_deeper_way_takes_its_depth_from_the_scene(setup):
    """The plan's own depth does not matter for what is rendered: the scene's does."""
    shallow, deep = (
        plan_stacks(make_plan(replace(setting(), depth_mm=depth)), setup, seeds=[0])
        for depth in (0.2, 0.6)
    )
    assert shallow[1].way == deep[1].way
