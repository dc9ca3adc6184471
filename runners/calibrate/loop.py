"""Closing the loop: bursts of known hands and flash are rendered, measured and compared."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd
from tqdm import tqdm

from ...simulator.handling.hands import Stance, load_stance
from ...simulator.handling.light import Light, load_light
from ...simulator.loading.scenes import load_scene
from ...simulator.optics import focus_distance_mm
from ...simulator.rig import load_rig
from ...simulator.shooting.shoot import Shoot, shoot
from ...simulator.steps import side_by_side
from ...simulator.streams import stream
from ..plan.draw.forecast import share_interval
from .burst import Burst
from .estimate import LEVEL
from .measure import Calibration, calibrate, calibrate_track
from .track import Track

#: How far the median of the measured values may lie from the truth, as a share of the truth.
ALLOWED = {
    "sway_across_mm": 0.2,
    "sway_down_mm": 0.2,
    "sway_toward_mm": 0.2,
    "rotation_mrad": 0.3,
    "step_mm": 0.2,
    "spread_stops": 0.2,
    "recycle_s": 0.2,
}
_SCENE, _RIG, _FRAMES, _BIN = "coin", "field-2x", 40, 16
#: Errors of the course as seen from frame to frame in such bursts: sideways and toward the
#: subject, mm, of the roll, mrad, and of the light, stops (standard deviations).
_ERRORS = 0.003, 0.007, 0.05, 0.003


@dataclass(frozen=True, kw_only=True)
class Known:
    """A burst whose hands and flash are known, and what the calibration starts from.

    Parameters
    ----------
    name : str
    stance, light : Stance, Light
        The truth.
    start_stance, start_light : Stance, Light
        What the calibration starts from: other hands, and the flash as it is set.
    truth : mapping of str to float
        By the names of `runners.calibrate.Calibration.measured`.
    start_mm : float
        Where the pass starts.
    """

    name: str
    stance: Stance
    light: Light
    start_stance: Stance
    start_light: Light
    truth: Mapping[str, float]
    start_mm: float


def known_bursts() -> tuple[Known, ...]:
    """Return the bursts of the study: in the hands, and on a support that stops inexactly.

    The flash recycles more slowly, and its light varies twice as much, as its file says.
    """
    start = load_light("flash-eighth")
    unit = start.flash
    assert unit is not None
    recycles = replace(unit.recycle_s, nimh=4.0)
    unit = replace(unit, recycle_s=recycles, spread_stops=0.06, misfire_below=0.0)
    light = replace(start, flash=unit)
    flash = {"spread_stops": 0.06, "recycle_s": 4.0}
    kneeling, support = load_stance("kneeling"), load_stance("stepped")
    leaning = replace(kneeling.approach, speed_mm_per_s=0.3)
    stepping = replace(support.approach, step_mm=0.05, step_error_mm=0.02)
    return (
        Known(
            name="in the hands",
            stance=replace(kneeling, approach=leaning),
            light=light,
            start_stance=load_stance("elbows-tucked"),
            start_light=start,
            truth=_hands(kneeling) | {"speed_mm_per_s": 0.3} | flash,
            start_mm=-1.0,
        ),
        Known(
            name="on a support",
            stance=replace(support, approach=stepping),
            light=light,
            start_stance=support,
            start_light=start,
            truth={"step_mm": 0.05, "step_error_mm": 0.02} | flash,
            start_mm=-1.0,
        ),
    )


def close_loop(
    bursts: Iterable[Known],
    *,
    seeds: Iterable[int],
    rendered: bool = True,
    workers: int = 1,
    progress: bool = False,
) -> pd.DataFrame:
    """Shoot every burst with every seed, measure it, and return what was found.

    Parameters
    ----------
    bursts : iterable of Known
    seeds : iterable of int
    rendered : bool
        False renders nothing, and takes the true course with errors drawn like those of rendered
        frames: a hundred times faster, for intervals, which take many bursts to judge.
    workers : int
        Processes; their number changes no row.
    progress : bool
        A bar on stderr.

    Returns
    -------
    DataFrame
        One row for each number of each burst: ``burst``, ``seed``, ``number``, ``true``, and
        ``value``, ``low`` and ``high``, NaN where the burst does not tell it.
    """
    asked = [(known, seed) for known in bursts for seed in seeds]
    found = side_by_side(partial(_rows_of, rendered=rendered), asked, workers=workers)
    bar = tqdm(found, total=len(asked), desc="calibrate", unit="burst", disable=not progress)
    return pd.DataFrame([row for rows in bar for row in rows])


def _rows_of(asked: tuple[Known, int], *, rendered: bool) -> list[dict[str, str | int | float]]:
    known, seed = asked
    measure = _measured if rendered else _measured_unrendered
    return _rows(known, seed, measure(known, seed))


def loop_summary(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one row for each number of each burst, over the seeds.

    Parameters
    ----------
    rows : DataFrame
        As `close_loop` returns them.

    Returns
    -------
    DataFrame
        ``burst``, ``number``, ``true``, the ``median`` of the values and how far it is ``off``
        as a share of the truth, how far it is ``allowed`` to be (NaN: nothing asked), the number
        of ``seeds``, for how many of them the truth is ``inside`` the 95 % interval, and the
        interval of that share, ``held_low`` to ``held_high``, at the same level.
    """
    found = []
    for (burst, number), group in rows.groupby(["burst", "number"], sort=False):
        true = float(group["true"].iloc[0])
        inside = int(((group["low"] <= true) & (true <= group["high"])).sum())
        low, high = share_interval(inside, len(group), level=LEVEL)
        median = float(group["value"].median())
        found.append(
            {
                "burst": burst,
                "number": number,
                "true": true,
                "median": median,
                "off": median / true - 1,
                "allowed": ALLOWED.get(str(number), np.nan),
                "seeds": len(group),
                "inside": inside,
                "held_low": low,
                "held_high": high,
            }
        )
    return pd.DataFrame(found)


def _rows(known: Known, seed: int, found: Calibration) -> list[dict[str, str | int | float]]:
    rows: list[dict[str, str | int | float]] = []
    for number, true in known.truth.items():
        shown = found.measured.get(number)
        value, low, high = (shown.value, shown.low, shown.high) if shown else (np.nan,) * 3
        rows.append(
            {
                "burst": known.name,
                "seed": seed,
                "number": number,
                "true": true,
                "value": value,
                "low": low,
                "high": high,
            }
        )
    return rows


def _measured(known: Known, seed: int) -> Calibration:
    shot = _shot(known, seed)
    burst = replace(_burst(shot), frames=[frame.image for frame in shot])
    return calibrate(burst, shot.rig, stance=known.start_stance, light=known.start_light, seed=seed)


def _measured_unrendered(known: Known, seed: int) -> Calibration:
    shot = _shot(known, seed)
    return calibrate_track(
        _course(shot, seed),
        _burst(shot),
        shot.rig,
        stance=known.start_stance,
        light=known.start_light,
        seed=seed,
    )


def _shot(known: Known, seed: int) -> Shoot:
    return shoot(
        load_scene(_SCENE),
        load_rig(_RIG),
        stance=known.stance,
        light=known.light,
        approach=replace(known.stance.approach, start_mm=known.start_mm),
        frames=_FRAMES,
        bin=_BIN,
        seed=seed,
    )


def _burst(shot: Shoot) -> Burst:
    """Return what is known of a burst beside its frames."""
    return Burst(
        frames=(),
        times_s=np.array([record.time_s for record in shot.records]),
        times_from="the simulator",
        each_timed=True,
        exposure_s=shot.light.exposure_s,
        linear=False,
        pitch_um=shot.binned_rig.sensor.pitch_um,
    )


def _course(shot: Shoot, seed: int) -> Track:
    """Return the true course, with errors as registration makes them."""
    poses = [record.pose for record in shot.records]
    turned = 1e-3 * focus_distance_mm(shot.rig)
    errors = stream(seed, shot.scene.name, "registration").standard_normal((5, len(poses)))
    way, toward, roll, light = _ERRORS
    return Track(
        times_s=np.array([record.time_s for record in shot.records]),
        seen=np.ones(len(poses), bool),
        dark=np.zeros(len(poses), bool),
        right_mm=np.array([pose.x_mm + turned * pose.yaw_mrad for pose in poses]) + way * errors[0],
        down_mm=np.array([pose.y_mm - turned * pose.pitch_mrad for pose in poses])
        + way * errors[1],
        advance_mm=np.array([pose.z_mm for pose in poses]) + toward * errors[2],
        roll_mrad=np.array([pose.roll_mrad for pose in poses]) + roll * errors[3],
        gain_stops=np.array([record.gain_stops for record in shot.records]) + light * errors[4],
        reference=0,
    )


def _hands(stance: Stance) -> dict[str, float]:
    """Return the numbers of a stance that a picture can show, by their measured names."""
    across, down, toward = stance.sway_mm
    turned_um = focus_distance_mm(load_rig(_RIG)) * stance.rotation_tremor_mrad
    return {
        "sway_across_mm": across,
        "sway_down_mm": down,
        "sway_toward_mm": toward,
        "sway_hz": stance.sway_hz,
        "rotation_mrad": stance.rotation_mrad,
        "quick_motion_mm": 1e-3
        * float(np.linalg.norm([stance.tremor_um, stance.pulse_um, turned_um])),
    }
