"""The trial of random plans: its card, its shoots, and what it calls broken."""

import numpy as np
import pandas as pd
import pytest

from stacktruth.runners.plan import Setting, sharpness_for
from stacktruth.runners.plan.draw.way import Way
from stacktruth.runners.plan.trial.settings import card, random_setting, width_mm
from stacktruth.runners.plan.trial.summary import calibration, comparison, failures, trial_words
from stacktruth.runners.plan.trial.trial import shot_whole
from stacktruth.simulator import load_rig, view_depth
from stacktruth.simulator.handling.approach import Approach
from stacktruth.simulator.handling.hands import load_stance
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.handling.sway import load_subject


def setting():
    """Return 1 mm at 2:1 on a support; the subject is 4 mm wide."""
    rig = load_rig("field-2x")
    return Setting(
        rig=rig,
        stance=load_stance("stepped"),
        light=load_light("steady-lamp"),
        subject=load_subject("still"),
        depth_mm=1.0,
        sharpness=sharpness_for("screen", rig.sensor),
        subject_mm=4.0,
    )


def test_the_card_is_as_deep_as_was_planned():
    """Over the subject's width its depth goes from 0 to 1 mm; similar triangles to its far edge."""
    asked = setting()
    depth = view_depth(card(asked), asked.rig, bin=100)[20]
    far = asked.framing.distance_mm
    across = (np.arange(60) + 0.5 - 30) * 0.1 * 3.9 / 2  # of the rays, in the plane of focus
    expected = (across + 2) / (4 - across / far)  # where they meet the slope of 1 in 4
    inside = np.abs(across) < 1.8
    np.testing.assert_allclose(depth[inside], expected[inside], atol=1e-3)
    assert width_mm(asked) == 4


@pytest.mark.parametrize(("share", "whole"), [(0.95, True), (1.05, False)])
def test_steps_just_finer_than_the_depth_of_field_miss_nothing(share, whole):
    """N c / m^2 to either side (textbook formula): 5 % finer holds all, 5 % coarser does not."""
    asked = setting()
    step_mm = share * 2 * 16.8 * (6000 * 3.9e-3 / 1250) / 2**2
    approach = Approach(kind="stepped", start_mm=0.0, step_mm=step_mm)
    way = Way(passes=1, frames=int(1 / step_mm) + 2, approach=approach)
    assert shot_whole(asked, way, seed=0) is whole


def test_random_settings_are_named_by_their_number():
    """The same number is the same setting, another one is not."""
    assert random_setting(3) == random_setting(3)
    assert random_setting(3) != random_setting(4)


def rows(*, promised=0.9, kept=36, settings=30, gain=0.1):
    """Return made-up rows of 40 shoots a setting."""
    one = {"promised": promised, "kept": kept, "tries": 40, "unplanned": 0.5}
    return pd.DataFrame([one | {"gain": gain, "gain_error": 0.01}] * settings)


@pytest.mark.parametrize(
    ("kept", "settings", "verdict"),
    [(36, 30, "holds"), (35, 30, "holds"), (34, 30, "broken"), (38, 30, "broken"), (34, 4, "too")],
)
def test_a_promise_is_broken_three_points_off(kept, settings, verdict):
    """90 % promised; 34 of 40 are 5 points less, 38 are 5 more; 160 shoots cannot tell."""
    (found,) = calibration(rows(kept=kept, settings=settings)).to_dict("records")
    assert found["verdict"].startswith(verdict)
    assert found["apart"] == pytest.approx(kept / 40 - 0.9)
    assert found["low"] < found["apart"] < found["high"]


def test_a_plan_worse_than_none_is_told():
    """A loss of ten standard errors in one of thirty settings; one of three is luck."""
    for loss, worse in ((0.1, 1), (0.028, 0)):
        tried = pd.concat([rows(settings=29), rows(settings=1, gain=-loss)], ignore_index=True)
        assert comparison(tried).worse == worse
        assert bool(failures(tried)) == bool(worse)
        assert ("FAILED: the plan is worse than none" in "\n".join(trial_words(tried))) == bool(
            worse
        )
