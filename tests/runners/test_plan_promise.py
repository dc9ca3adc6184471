"""What a plan promises, on settings drawn at random: kept, monotonic, never worse than no plan."""

from dataclasses import replace
from functools import cache
from math import sqrt

import numpy as np
import pytest

from stacktruth.runners.plan import Setting, sharpness_for
from stacktruth.runners.plan.advise.advice import advise, make_plan
from stacktruth.runners.plan.advise.power import at_power
from stacktruth.runners.plan.advise.search import best_effort
from stacktruth.runners.plan.draw.rehearsal import coverage_of
from stacktruth.runners.plan.draw.way import Way, unplanned_way
from stacktruth.runners.plan.trial.trial import shot_whole
from stacktruth.simulator import load_rig
from stacktruth.simulator.handling.hands import load_stance
from stacktruth.simulator.handling.light import load_light
from stacktruth.simulator.handling.sway import load_subject

STANCES = ("standing", "elbows-tucked", "kneeling", "in-hand-stem", "braced", "stepped")
LIGHTS = ("flash-128th", "flash-sixteenth", "flash-eighth", "ambient-burst", "steady-lamp")
SUBJECTS = ("still", "still", "light-air")
MANY = range(16)
#: Settings whose ways have few frames.
SHORT = (0, 3)
#: Two settings in every run, some more in CI, all of them before a release.
FEW = [0, 1, *(pytest.param(number, marks=pytest.mark.slow) for number in range(2, 4))]


@cache
def setting(number):
    """Return one of many random settings."""
    rng = np.random.default_rng([19, number])
    base = load_rig("field-2x")
    magnification = float(np.exp(rng.uniform(np.log(0.5), np.log(5))))
    lens = replace(
        base.lens,
        magnification=magnification,
        f_number=float(rng.choice([4.0, 5.6, 8.0] if magnification < 2 else [2.8, 4.0, 5.6])),
    )
    rig = replace(base, lens=lens)
    stance = load_stance(str(rng.choice(STANCES)))
    error_mm = float(rng.choice([0.25, 1.0, 2.0])) * stance.start_error_mm
    return Setting(
        rig=rig,
        stance=replace(stance, start_error_mm=error_mm, stop_error_mm=error_mm),
        light=load_light(str(rng.choice(LIGHTS))),
        subject=load_subject(str(rng.choice(SUBJECTS))),
        depth_mm=float(np.exp(rng.uniform(np.log(0.5), np.log(6)))) / magnification,
        sharpness=sharpness_for("screen", rig.sensor),
    )


@cache
def advice(number):
    """Return what is advised for a setting."""
    return advise(setting(number))


def gain_over_no_plan(number, *, tries):
    """Return by how much the advised way covers all more often than no plan, and its error."""
    found = advice(number)
    ways = found.advised.way, found.unplanned.way
    together = ways[0].passes
    fresh = setting(number).rehearse(
        frames=max(way.frames for way in ways),
        passes=tries * together,
        seed=1000 + number,
        together=together,
    )
    one, other = (coverage_of(fresh, way).whole.astype(float) for way in ways)
    difference = one - other
    return difference.mean(), difference.std() / sqrt(tries)


@pytest.mark.parametrize("number", FEW)
def test_the_advised_pass_is_at_least_as_good_as_no_plan(number):
    """On passes that the plan has not seen, paired, under the same start and stop errors."""
    gain, error = gain_over_no_plan(number, tries=600)
    assert gain >= -4 * error - 1e-9


@pytest.mark.parametrize("error_mm", [0.0, 1.0])
def test_the_known_loss_to_no_plan_is_gone(error_mm):
    """3 mm at 1:1, kneeling, start errors of 0 and 1 mm: one laid pass lost to none."""
    rig = load_rig("field-1x")
    stance = replace(load_stance("kneeling"), start_error_mm=error_mm, stop_error_mm=error_mm)
    asked = Setting(
        rig=rig,
        stance=stance,
        light=load_light("flash-sixteenth"),
        subject=load_subject("still"),
        depth_mm=3.0,
        sharpness=sharpness_for("print", rig.sensor, width_cm=24 * 23.4 / 36),
    )
    found = advise(asked)
    assert found.advised.chance > found.unplanned.chance + 0.2
    assert found.reaches


def kept_promises(numbers, *, tries):
    """Return promised chances and how often shoots of the simulator kept them."""
    promised = np.array([advice(number).advised.chance for number in numbers])
    kept = [
        [
            shot_whole(setting(number), advice(number).advised.way, seed=seed)
            for seed in range(tries)
        ]
        for number in numbers
    ]
    return promised, np.mean(kept, axis=1)


@pytest.mark.slow
def test_promises_are_kept_by_shoots_of_the_simulator():
    """Poses, light and subject of `shoot`, which knows nothing of plans: pooled, to 4 sigma."""
    promised, kept = kept_promises(SHORT, tries=25)
    error = sqrt(np.sum(promised * (1 - promised)) / 25) / len(SHORT)
    assert abs(kept.mean() - promised.mean()) <= 4 * error + 1e-9


def best_chance(asked):
    """Return the best chance that a setting has, in draws that all settings share."""
    rehearsal = asked.rehearse(frames=60, passes=1200, seed=5, together=6)
    way = best_effort(rehearsal)
    return float(coverage_of(rehearsal, way).whole.mean())


@pytest.mark.parametrize("number", FEW)
def test_another_pass_never_covers_less(number):
    """Try by try: the passes of a way are among those of the way with one more."""
    asked = setting(number)
    rehearsal = asked.rehearse(frames=30, passes=600, seed=3, together=6)
    for laid in (unplanned_way(asked.goal, rehearsal.times_s), advice(number).advised.way):
        fewer = None
        for passes in range(1, 7):
            way = Way(passes=passes, frames=min(laid.frames, 30), approach=laid.approach)
            share = coverage_of(rehearsal, way).share
            assert fewer is None or (share >= fewer - 1e-12).all()
            fewer = share


def steadier(asked, share):
    """Return a setting whose hands move and miss less, by one share."""
    own = asked.stance
    return replace(
        asked,
        stance=replace(
            own,
            sway_mm=tuple(share * size for size in own.sway_mm),
            tremor_um=share * own.tremor_um,
            pulse_um=share * own.pulse_um,
            rotation_mrad=share * own.rotation_mrad,
            rotation_tremor_mrad=share * own.rotation_tremor_mrad,
            start_error_mm=share * own.start_error_mm,
            stop_error_mm=share * own.stop_error_mm,
        ),
    )


def assert_steadier_is_no_worse(number):
    """Assert that half the motion has no smaller chance, where a body can lean slowly enough."""
    asked = setting(number)
    if not asked.goal.handheld or asked.goal.too_slow(asked.light.cadence.frames_per_s):
        return  # held still, it is the sway that scans: steadier hands scan less
    chances = [best_chance(steadier(asked, share)) for share in (1.0, 0.5, 0.25)]
    assert np.diff(chances).min() >= -0.01


def assert_faster_flash_is_no_worse(number):
    """Assert that a flash of a quarter of the power, which follows faster, is no worse."""
    asked = setting(number)
    if asked.light.flash is None:
        return
    slower = replace(asked, light=at_power(asked.light, 0.5))
    faster = replace(asked, light=at_power(asked.light, 1 / 32))
    assert best_chance(faster) >= best_chance(slower) - 0.01


@pytest.mark.parametrize("number", FEW)
def test_a_steadier_stance_and_a_faster_flash_are_no_worse(number):
    """Common random numbers; a percent is left to the search, which tries lays in steps."""
    assert_steadier_is_no_worse(number)
    assert_faster_flash_is_no_worse(number)


@pytest.mark.long
@pytest.mark.parametrize("number", MANY[8:16])
def test_steadier_and_faster_are_no_worse_in_many_settings(number):
    """As above, for more settings."""
    assert_steadier_is_no_worse(number)
    assert_faster_flash_is_no_worse(number)


@pytest.mark.parametrize("number", [0, pytest.param(3, marks=pytest.mark.slow)])
def test_the_table_of_choices_is_monotonic(number):
    """Down the passes of an f-number, and with the f-number: chances never fall."""
    rows = make_plan(setting(number)).choices
    own = [row for row in rows if row.power in (None, rows[0].power)]
    for row in own:
        for other in own:
            more = row.f_number <= other.f_number and row.passes <= other.passes
            for less, chance in zip(row.chances, other.chances, strict=True):
                assert not more or less is None or chance is None or less <= chance + 1e-9
