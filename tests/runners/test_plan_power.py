"""Flash power and cadence in the plan, against the recycle law and published limits."""

from dataclasses import replace

import numpy as np
import pytest

from stacktruth.runners.plan.advise.power import (
    at_power,
    free_frames,
    power_table,
    sustained_frames_per_s,
)
from stacktruth.simulator.handling.cadence import Cadence
from stacktruth.simulator.handling.flash import fire
from stacktruth.simulator.handling.light import FlashUnit, Light, Recycle, load_light


def flash(power, *, recycle_s=2.9, frames_per_s=10.0, **changes):
    """Return a light that is a flash alone."""
    unit = FlashUnit(power=power, recycle_s=Recycle(nimh=recycle_s), **changes)
    return Light(
        name="f", flash=unit, ambient_share=0.0, cadence=Cadence(frames_per_s=frames_per_s)
    )


@pytest.mark.parametrize("power", [1.0, 0.25, 1 / 16])
@pytest.mark.parametrize("recycle_s", [2.9, 5.0])
def test_a_waiting_flash_keeps_up_the_rate_of_its_recycle_law(power, recycle_s):
    """At constant filling power each flash takes its power times the recycle time."""
    light = flash(power, recycle_s=recycle_s, frames_per_s=100.0)
    assert sustained_frames_per_s(light) == pytest.approx(1 / (power * recycle_s), rel=1e-12)


@pytest.mark.parametrize("refill", ["constant-power", "rc"])
@pytest.mark.parametrize("power", [1.0, 0.25, 1 / 16])
def test_long_bursts_settle_at_the_sustained_rate(power, refill):
    """The last gaps of a simulated burst are the ones the law promises."""
    light = flash(power, refill=refill, frames_per_s=30.0)
    times = [shot.time_s for shot in fire(light, 60, seed=0, scene="s")]
    assert 1 / np.diff(times)[-1] == pytest.approx(sustained_frames_per_s(light), rel=1e-6)


@pytest.mark.parametrize(("recycle_s", "denominator"), [(2.9, 29), (5.0, 50)])
def test_ten_frames_a_second_need_the_known_power(recycle_s, denominator):
    """With 2.9 s of recycling (measured) 10 frames a second go on up to 1/29, with 5 s to 1/50.

    A strobe maker states such rates at 1/32 and less only.
    """
    assert sustained_frames_per_s(flash(1 / denominator, recycle_s=recycle_s)) == pytest.approx(10)
    assert sustained_frames_per_s(flash(1.2 / denominator, recycle_s=recycle_s)) < 9


@pytest.mark.parametrize(("power", "published"), [(8, 4), (16, 8), (32, 16), (64, 30)])
def test_a_store_alone_lasts_as_many_frames_as_published(power, published):
    """Frames at 5 a second of a large speedlight (camera maker's manual), hardly refilled.

    Within one frame: the manual's numbers are rounded to its own rule.
    """
    light = flash(1 / power, recycle_s=1e4, frames_per_s=5.0)
    times = np.array([shot.time_s for shot in fire(light, 60, seed=0, scene="s")])
    assert abs(free_frames(light, times) - published) <= 1


def test_a_flash_that_keeps_up_never_makes_the_camera_wait():
    """At low power nothing waits, and the rate is the camera's."""
    light = flash(1 / 128, frames_per_s=10.0)
    times = np.array([shot.time_s for shot in fire(light, 100, seed=0, scene="s")])
    assert free_frames(light, times) is None
    assert sustained_frames_per_s(light) == 10


def test_a_full_buffer_is_not_taken_for_a_waiting_flash():
    """The camera's own slowing down is not the flash's."""
    light = load_light("ambient-burst")
    times = np.array([shot.time_s for shot in fire(light, 80, seed=0, scene="s")])
    assert free_frames(light, times) is None


def test_light_without_a_flash_has_no_power_to_choose():
    """The table is empty, and a power cannot be set."""
    light = load_light("ambient-burst")
    assert power_table(light) == ()
    with pytest.raises(ValueError, match="has no flash"):
        at_power(light, 0.5)


def test_less_power_keeps_up_a_faster_rate():
    """Eight stops of power from full down, each with the rate of its recycle law."""
    rows = power_table(flash(1 / 16))
    assert [row.power for row in rows] == [2.0**-stops for stops in range(8)]
    assert [row.light_stops for row in rows] == [4 - stops for stops in range(8)]
    for row in rows:
        assert row.sustained_frames_per_s == pytest.approx(min(10, 1 / (2.9 * row.power)))
    waits = [row.free_frames or np.inf for row in rows]
    assert waits == sorted(waits)


def test_a_flash_that_fires_unready_is_planned_as_one_that_waits():
    """The table tells what each power allows without dark frames."""
    light = load_light("flash-hasty")
    assert at_power(light, 0.25).flash.when_not_ready == "wait"
    never = replace(light, flash=replace(light.flash, refill="none"))
    assert at_power(never, 0.25).flash.when_not_ready == "fire"
