"""The whole plan: frames for a chance, what the trade would say, and what would help."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from stacktruth.runners.plan import Setting, blur_limit, make_plan
from stacktruth.runners.plan.advise.advice import search_rehearsal
from stacktruth.runners.plan.advise.remedies import changes
from stacktruth.runners.plan.advise.search import MOST_IN_ALL, best_way, fewest
from stacktruth.runners.plan.draw.forecast import forecast
from stacktruth.runners.plan.draw.rehearsal import coverage_of, tries_of
from stacktruth.runners.plan.draw.setting import LONGEST_PASS_S
from stacktruth.runners.plan.draw.way import Way, regular_pass, swung_pass, unplanned_way
from stacktruth.runners.plan.show.tiles import tiles
from stacktruth.runners.plan.show.words import sentences
from stacktruth.simulator import load_rig
from stacktruth.simulator.handling.hands import load_stance
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.handling.sway import load_subject

CALM = {"light": "flash-128th", "subject": "still"}


def rig(magnification, f_number):
    """Return the field sensor behind a symmetric lens."""
    base = load_rig("field-2x")
    lens = replace(base.lens, magnification=magnification, f_number=f_number)
    return replace(base, lens=lens)


def setting(*, stance, light, subject="still", depth_mm=3.0, lens=None, **changes):
    """Return a setting, by default at 2:1 and f/5.6."""
    lens = lens or rig(2, 5.6)
    return Setting(
        rig=lens,
        stance=load_stance(stance),
        light=load_light(light),
        subject=load_subject(subject),
        depth_mm=depth_mm,
        sharpness=blur_limit(30 / lens.sensor.pitch_um),
        **changes,
    )


@cache
def plan(stance, light="flash-128th", subject="still"):
    """Return a plan at 2:1 for a subject 3 mm deep."""
    return make_plan(setting(stance=stance, light=light, subject=subject))


def test_more_certainty_costs_more_frames():
    """Each chance is promised, by no fewer frames than a lower one."""
    found = plan("in-hand-stem").for_chance
    assert all(forecast.chance >= chance for chance, forecast in found.items())
    totals = [found[chance].way.total_frames for chance in (0.5, 0.9, 0.95)]
    assert totals == sorted(totals)
    assert totals[0] < totals[-1]


def test_the_advised_way_keeps_its_promise_on_other_passes():
    """Passes that the plan has never seen are covered as often as it says."""
    promised = plan("in-hand-stem").advised
    asked = plan("in-hand-stem").setting
    fresh = asked.rehearse(frames=promised.way.frames, passes=10_000, seed=77)
    chance = coverage_of(fresh, promised.way).whole.mean()
    error = np.sqrt(chance * (1 - chance) * (1 / 10_000 + 1 / promised.tries))
    assert abs(chance - promised.chance) < 4 * error
    low, high = promised.chance_interval
    assert low < promised.chance < high
    assert high - low < 0.03


def test_one_frame_less_breaks_the_promise():
    """The number of frames is not larger than it has to be, within a frame or two of luck."""
    advised = plan("in-hand-stem").advised
    asked = plan("in-hand-stem").setting
    fresh = asked.rehearse(frames=advised.way.frames, passes=10_000, seed=78)
    _, chance = best_way(fresh, passes=advised.way.passes, frames=advised.way.frames - 3)
    assert chance < asked.chance


@pytest.mark.parametrize("stance", ["in-hand-stem", "braced"])
@pytest.mark.parametrize(("magnification", "f_number"), [(1, 5.6), (2, 5.6), (3, 5.6)])
@pytest.mark.parametrize("depth_mm", [2.0, 3.0])
def test_steady_hands_need_a_handful_to_a_few_tens_of_frames(
    stance, magnification, f_number, depth_mm
):
    """Common practice, no source: 10 to 40 frames, sometimes in several passes."""
    lens = rig(magnification, f_number)
    asked = setting(stance=stance, lens=lens, depth_mm=depth_mm, **CALM)
    way = fewest(asked.rehearse(frames=128, passes=600), chance=asked.chance)
    assert way is not None
    assert 4 <= way.frames <= 50
    assert way.passes <= 3


@pytest.mark.parametrize("overlap", [0.2, 0.35, 0.5])
def test_regular_steps_have_the_stated_overlap(overlap):
    """Common practice, no source: steps between half and 80 % of the depth of field."""
    asked = setting(stance="stepped", light="steady-lamp", overlap=overlap)
    way = regular_pass(asked.goal)
    lane = asked.lane.total_mm
    assert way.approach.step_mm == pytest.approx((1 - overlap) * lane)
    assert way.frames == int(np.ceil(3.0 / way.approach.step_mm)) + 1
    found = forecast(asked.rehearse(frames=way.frames, passes=2), way)
    assert found.chance == 1
    assert found.step_share == pytest.approx(1 - overlap)
    assert found.start_before_mm == pytest.approx(found.end_behind_mm, abs=1e-9)
    assert found.start_before_mm > -1e-12


def test_a_support_is_advised_the_usual_step():
    """The plan for a perfect support is its regular pass, whatever the chance."""
    found = plan("stepped", "steady-lamp")
    assert 0.5 <= found.advised.step_share <= 0.8
    ways = {forecast.way for forecast in found.for_chance.values()}
    assert ways == {regular_pass(found.setting.goal)}


def test_a_support_that_misses_its_stops_takes_smaller_steps():
    """Step errors are paid for with frames, until the chance is promised aremedy."""
    asked = setting(stance="stepped", light="steady-lamp", overlap=0.2)
    loose = replace(asked.stance, approach=replace(asked.stance.approach, step_error_mm=0.06))
    found = make_plan(replace(asked, stance=loose))
    assert found.reaches
    assert found.advised.chance >= asked.chance
    assert found.advised.way.frames > regular_pass(asked.goal).frames


def test_a_pass_starts_before_and_ends_behind_the_subject():
    """Common practice, no source: start before the nearest point, end behind the last."""
    advised = plan("braced").advised
    assert advised.start_before_mm > 0
    assert advised.end_behind_mm > 0


def test_the_naive_pass_keeps_the_stances_own_speed():
    """Unplanned, the body swings through at its own pace, in frames of the camera's own rate."""
    asked = setting(stance="kneeling", light="flash-128th")
    way = unplanned_way(asked.goal, asked.rehearse(frames=40, passes=2).drawn.times_s)
    assert way.frames == 11  # 3 mm at 3 mm/s and 10 frames a second, both ends
    assert way.approach.speed_mm_per_s == 3.0
    assert forecast(asked.rehearse(frames=11, passes=500), way).chance < 0.05


@pytest.mark.slow
def test_standing_does_not_promise_what_it_cannot_keep():
    """At 2:1 an unsupported photographer gets the best there is, and is told it is not enough."""
    found = plan("standing", "flash-sixteenth", "light-air")
    assert not found.reaches
    assert found.for_chance[0.95] is None
    assert found.advised.chance < found.setting.chance
    assert found.advised.share > found.unplanned.share
    assert found.advised.way.total_frames <= MOST_IN_ALL
    assert found.advised.planned_s <= LONGEST_PASS_S


@pytest.mark.slow
def test_steadiness_helps_the_unsteady_most():
    """Common practice, no source: holding the stem or bracing removes most of the motion."""
    found = plan("standing", "flash-sixteenth", "light-air")
    chances = {remedy.name: remedy.chance for remedy in found.remedies}
    assert min(chances["hold the stem"], chances["brace"]) >= chances["kneel"] - 0.02
    assert chances["kneel"] > found.advised.chance + 0.3


@pytest.mark.slow
def test_the_cheapest_change_that_is_enough_comes_first():
    """What reaches the wanted chance is ranked by price, then frames; what does not comes after."""
    remedies = plan("standing", "flash-sixteenth", "light-air").remedies
    assert remedies[0].reaches
    enough = [remedy for remedy in remedies if remedy.reaches]
    assert list(remedies[: len(enough)]) == enough
    prices = [(remedy.price, remedy.frames) for remedy in enough]
    assert prices == sorted(prices)
    assert all(remedy.chance >= 0.9 - 1e-9 for remedy in enough)


def test_the_steadiest_are_not_told_to_steady_themselves():
    """Advice that would make things worse is left out, and so is what changes nothing."""
    remedies = plan("braced").remedies
    assert not {remedy.name for remedy in remedies} & {"kneel", "shelter", "brace"}
    for remedy in remedies:
        assert remedy.chance > remedy.chance_before or remedy.frames < remedy.frames_before


def test_nobody_is_told_to_stop_down_where_detail_is_gone():
    """At 2:1 and f/5.6 detail is at its limit; at 1:1 and f/4 there is room (f/4 to f/8: usual)."""
    softened = {change.name for change in changes(setting(stance="braced", **CALM))}
    assert "stop down" not in softened
    open_lens = setting(stance="braced", lens=rig(1, 4.0), **CALM)
    assert "stop down" in {change.name for change in changes(open_lens)}


def worth(rehearsal, way):
    """Return chance and share of a way in one number: one of them has room to grow."""
    found = coverage_of(rehearsal, way)
    return found.whole.mean() + found.share.mean()


@pytest.mark.parametrize(
    ("stance", "light", "subject", "advice"),
    [
        ("braced", "flash-128th", "light-breeze", "shelter"),
        ("in-hand-stem", "flash-quarter", "still", "faster recycle"),
        ("in-hand-stem", "flash-quarter", "still", "less power"),
        ("braced", "flash-sixteenth", "still", "faster burst"),
    ],
)
def test_each_hindrance_brings_the_advice_that_removes_it(stance, light, subject, advice):
    """Wind asks for shelter, a slow flash for faster recycling or less power."""
    asked = setting(stance=stance, light=light, subject=subject)
    (change,) = (change for change in changes(asked) if change.name == advice)
    before, after = (
        worth(rehearsal, best_way(rehearsal, passes=2, frames=30)[0])
        for rehearsal in (
            one.rehearse(frames=60, passes=400, together=2) for one in (asked, change.setting)
        )
    )
    assert after > before + 0.03


@pytest.mark.slow
def test_an_impossible_plan_has_no_numbers_to_shoot_by():
    """At 2:1 unsupported no tiles are shown, and the verdict comes with the way out."""
    found = plan("standing", "flash-sixteenth", "light-air")
    assert found.verdict == "not this way"
    assert tiles(found) == []
    said = sentences(found)
    assert said[0].startswith("Not this way:")
    assert said[1].startswith("Cheapest change that makes it possible:")
    assert found.remedies[0].advice in said[1]


def test_one_choice_is_marked_and_it_is_the_one_that_is_recommended():
    """Sentence, tiles, table and card speak of the same frames at the same f-number."""
    for found in (plan("in-hand-stem"), plan("braced")):
        (marked,) = (row for row in found.choices if row.marked)
        way = found.advised.way
        assert (marked.passes, marked.frames[1]) == (way.passes, way.frames)
        assert marked.chances[1] == pytest.approx(found.advised.chance)
        assert marked.f_number == found.setting.rig.lens.f_number
        shot = (
            f"{way.passes} passes of {way.frames}" if way.passes > 1 else f"of {way.frames} frames"
        )
        assert shot in sentences(found)[0]


def test_several_passes_may_do_what_one_cannot():
    """Two passes of a try join their frames: what one misses the other may catch."""
    asked = setting(stance="kneeling", light="flash-128th")
    rehearsal = asked.rehearse(frames=30, passes=2000)
    drawn = rehearsal.drawn
    approach = swung_pass(asked.goal, drawn.times_s)
    ways = [Way(passes=passes, frames=30, approach=approach) for passes in (1, 2)]
    one, two = (forecast(rehearsal, way) for way in ways)
    assert two.share > one.share
    assert two.tries == one.tries // 2
    # Passes are independent: a point is missed by both with the square of the chance.
    found = tries_of(rehearsal, ways[0])
    planes = found.planes_mm
    points = np.linspace(0.1, 2.9, 29)
    near = np.abs(planes[..., np.newaxis] - points) < asked.lane.near_mm
    missed = 1 - (near & found.usable[..., np.newaxis]).any(axis=1).mean(axis=0)
    assert 1 - two.share == pytest.approx(np.mean(missed**2), abs=0.015)


def test_the_same_seed_makes_the_same_plan():
    """Plans are reproducible to the last digit."""
    asked = setting(stance="stepped", light="steady-lamp", overlap=0.2)
    loose = replace(asked.stance, approach=replace(asked.stance.approach, step_error_mm=0.06))
    asked = replace(asked, stance=loose)
    one, same, other = (make_plan(asked, seed=seed) for seed in (5, 5, 6))
    assert one == same
    assert one.advised != other.advised


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"depth_mm": 0.0}, "depth_mm must be finite and > 0"),
        ({"chance": 1.0}, "chance must be > 0 and < 1"),
        ({"overlap": 1.0}, "overlap must be >= 0 and < 1"),
        ({"sharpness": blur_limit(1e6)}, "one frame holds all"),
    ],
)
def test_a_setting_out_of_range_is_refused(change, message):
    """What cannot be planned is told when it is asked for."""
    with pytest.raises(ValueError, match=message):
        replace(setting(stance="braced", **CALM), **change)


def test_long_regular_passes_are_not_cut_short():
    """A deep subject on a support takes as many frames as it needs."""
    asked = setting(stance="stepped", light="steady-lamp", depth_mm=40.0)
    way = fewest(search_rehearsal(asked), chance=0.9)
    assert way.frames == regular_pass(asked.goal).frames > 128
