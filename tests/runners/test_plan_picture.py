"""The planned share of a picture that is never sharp, against rendered truth."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from stacktruth.runners.plan import Setting, blur_limit
from stacktruth.runners.plan.draw.conditions import framing_of
from stacktruth.runners.plan.draw.way import Way
from stacktruth.runners.plan.study.picture import Points, never_sharp_share, scene_points
from stacktruth.simulator import load_rig, load_scene, view_depth
from stacktruth.simulator.handling.approach import Approach, cover
from stacktruth.simulator.handling.hands import load_stance
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.handling.sway import load_subject
from stacktruth.simulator.shooting.shoot import shoot
from stacktruth.simulator.shooting.truth import NEVER_PX

CROP, BIN, FRAMES, SEEDS = (2304, 1536), 6, 5, 20
FRAMING = framing_of(load_rig("field-2x"), crop=CROP)


def setting(stance, *, bin=BIN):
    """Return a setting whose lane is where the truth calls a point sharp in merged pixels.

    A shoot starts and stops where it is laid, so nobody is late here.
    """
    punctual = {"start_error_mm": 0.0, "stop_error_mm": 0.0, "reaction_s": 0.0}
    return Setting(
        rig=load_rig("field-2x"),
        stance=replace(load_stance(stance), **punctual),
        light=load_light("flash-sixteenth"),
        subject=load_subject("still"),
        depth_mm=1.0,
        sharpness=blur_limit(2 * NEVER_PX * bin),
    )


def steady_share(planes, points, *, stance="stepped"):
    """Return the planned share for planes of focus at a regular step, nothing shaking."""
    asked = setting(stance)
    start, step = planes[0], planes[1] - planes[0]
    way = Way(
        passes=1,
        frames=len(planes),
        approach=Approach(kind="stepped", start_mm=start, step_mm=step),
    )
    rehearsal = asked.rehearse(frames=len(planes), passes=3)
    return never_sharp_share(rehearsal, way, points, framing=FRAMING)


def changed(rehearsal, **drawn):
    """Return a rehearsal some of whose passes' numbers are others."""
    return replace(rehearsal, drawn=replace(rehearsal.drawn, **drawn))


def flat(*z_mm):
    """Return a picture's points at some depths, alike all over it."""
    across, down, z = (
        values.ravel()
        for values in np.meshgrid(np.linspace(-3, 3, 61), np.linspace(-2, 2, 41), z_mm)
    )
    return Points(across_mm=across, down_mm=down, z_mm=z)


def test_points_in_a_lane_are_shown_and_others_are_not():
    """Of two depths one is held by the single lanes of two frames, one by neither."""
    lane = setting("stepped").lane
    held = flat(0.9 * lane.far_mm, -0.9 * lane.near_mm)
    np.testing.assert_array_equal(steady_share([0.0, 0.01], held), 0)
    half = steady_share([0.0, 0.01], flat(0.0, 1.2 * lane.far_mm))
    np.testing.assert_allclose(half, 0.5, atol=0.02)
    np.testing.assert_array_equal(steady_share([0.0, 0.01], flat(3 * lane.far_mm)), 1)


def test_what_the_sharp_frame_does_not_show_is_missed():
    """A frame that strayed by half a picture leaves half of it to the other, blurred."""
    asked = setting("stepped")
    lane = asked.lane.total_mm
    way = Way(
        passes=1,
        frames=3,
        approach=Approach(kind="stepped", start_mm=-5 * lane, step_mm=5 * lane),
    )
    rehearsal = asked.rehearse(frames=3, passes=1)
    aside = np.zeros_like(rehearsal.drawn.aside_mm)
    aside[0, 0, 2] = CROP[0] / 2 / (2000 / 3.9)  # half a picture wide
    # The last frame alone is focused on the plane, the middle one is the reference.
    points = flat(5 * lane)
    share = never_sharp_share(changed(rehearsal, aside_mm=aside), way, points, framing=FRAMING)
    # Two lanes behind the reference its view is a little wider than the plane's own.
    assert share == pytest.approx(0.5, abs=0.06)


def test_without_a_usable_frame_there_is_no_share():
    """A pass whose frames all fail has no view to speak of."""
    asked = setting("stepped")
    rehearsal = asked.rehearse(frames=2, passes=2)
    usable = np.array([[False, False], [True, False]])
    way = Way(passes=1, frames=2, approach=Approach(kind="stepped", step_mm=0.1))
    shares = never_sharp_share(changed(rehearsal, usable=usable), way, flat(0.0), framing=FRAMING)
    assert np.isnan(shares[0])
    assert shares[1] == 0


def test_two_passes_join_their_frames():
    """A try of two passes shows what either shows."""
    asked = setting("kneeling")
    rehearsal = asked.rehearse(frames=FRAMES, passes=400)
    approach = cover(asked.stance.approach, near_mm=-1.2, far_mm=1.2, times_s=rehearsal.times_s)
    points = flat(*np.linspace(-1.2, 1.2, 25))
    one, two = (
        never_sharp_share(
            rehearsal,
            Way(passes=passes, frames=FRAMES, approach=approach),
            points,
            framing=FRAMING,
        )
        for passes in (1, 2)
    )
    assert len(two) == len(one) // 2
    assert two.mean() < 0.7 * one.mean()


def test_points_are_those_of_the_scene():
    """Depths and places of the points are the scene's own in the nominal view."""
    scene, rig = load_scene("ramp"), load_rig("field-2x")
    points = scene_points(scene, rig, crop=CROP, margin=0.0)
    z = view_depth(scene, rig, crop=CROP)
    assert np.quantile(points.z_mm, [0.1, 0.5, 0.9]) == pytest.approx(
        np.quantile(z, [0.1, 0.5, 0.9]), abs=0.01
    )
    assert points.across_mm.max() == pytest.approx(CROP[0] / 2 / (2000 / 3.9), rel=0.03)
    # The card comes 0.25 mm nearer for every mm to the right.
    slope = np.polyfit(points.across_mm, points.z_mm, 1)[0]
    assert slope == pytest.approx(-0.25, abs=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("stance", ["in-hand-stem", "kneeling"])
@pytest.mark.parametrize("name", ["ramp", "cone", "snail-shell"])
def test_rendered_truth_misses_what_was_planned(name, stance):
    """Over 20 seeds the truth's share never in focus is the planned one, within its interval.

    Six comparisons, one false alarm in a thousand over all of them (Sidak).
    """
    asked, scene = setting(stance), load_scene(name)
    points = scene_points(scene, asked.rig, crop=CROP)
    rehearsal = asked.rehearse(frames=FRAMES, passes=1000, seed=3)
    near, far = np.quantile(points.z_mm, [0.02, 0.98])
    approach = cover(asked.stance.approach, near_mm=near, far_mm=far, times_s=rehearsal.times_s)
    way = Way(passes=1, frames=FRAMES, approach=approach)
    planned = never_sharp_share(rehearsal, way, points, framing=FRAMING)
    rendered = []
    for seed in range(SEEDS):
        shot = shoot(
            scene,
            asked.rig,
            stance=stance,
            light="flash-sixteenth",
            frames=FRAMES,
            seed=seed,
            approach=approach,
            crop=CROP,
            bin=BIN,
        )
        truth = shot.truth()
        rendered.append(truth.mask("never-in-focus")[truth.mask("valid")].mean())
    error = planned.std() / np.sqrt(SEEDS)
    limit = stats.norm.isf((1 - (1 - 1e-3) ** (1 / 6)) / 2)
    assert abs(np.mean(rendered) - planned.mean()) < limit * error
    assert 0.3 < np.std(rendered, ddof=1) / planned.std() < 2
