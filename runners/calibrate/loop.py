"""Closing the loop: bursts of known hands and flash, rendered, measured and held to the truth."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from tqdm import tqdm

from runners.calibrate.burst import Burst
from runners.calibrate.estimate import LEVEL
from runners.calibrate.measure import calibrate
from runners.plan.forecast import share_interval
from simulator.hands import Stance, load_stance
from simulator.light import Light, load_light
from simulator.optics import focus_distance_mm
from simulator.rig import Rig, load_rig
from simulator.scene import load_scene
from simulator.shoot import shoot

#: How far the median of the measured values may lie from the truth, as a share of it.
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


@dataclass(frozen=True, kw_only=True)
class Known:
    """A burst whose hands and flash are known, and what the calibration is told of them.

    Parameters
    ----------
    name : str
    stance, light : Stance, Light
        The truth.
    told_stance, told_light : Stance, Light
        What the calibration starts from: other hands, and the flash as it is set.
    truth : mapping of str to float
        By the names of `runners.calibrate.Calibration.measured`.
    start_mm : float
        Where the pass starts.
    """

    name: str
    stance: Stance
    light: Light
    told_stance: Stance
    told_light: Light
    truth: Mapping[str, float]
    start_mm: float


def known_bursts() -> tuple[Known, ...]:
    """Return the bursts of the study: in the hands, and on a support that stops inexactly.

    The flash recycles more slowly and spreads twice as much as its file says.
    """
    told = load_light("flash-eighth")
    unit = told.flash
    assert unit is not None
    recycles = replace(unit.recycle_s, nimh=4.0)
    unit = replace(unit, recycle_s=recycles, spread_stops=0.06, misfire_below=0.0)
    light = replace(told, flash=unit)
    flash = {"spread_stops": 0.06, "recycle_s": 4.0}
    kneeling, support = load_stance("kneeling"), load_stance("stepped")
    leaning = replace(kneeling.approach, speed_mm_per_s=0.3)
    stepping = replace(support.approach, step_mm=0.05, step_error_mm=0.02)
    return (
        Known(
            name="in the hands",
            stance=replace(kneeling, approach=leaning),
            light=light,
            told_stance=load_stance("elbows-tucked"),
            told_light=told,
            truth=_hands(kneeling) | {"speed_mm_per_s": 0.3} | flash,
            start_mm=-1.0,
        ),
        Known(
            name="on a support",
            stance=replace(support, approach=stepping),
            light=light,
            told_stance=support,
            told_light=told,
            truth={"step_mm": 0.05, "step_error_mm": 0.02} | flash,
            start_mm=-1.0,
        ),
    )


def close_loop(
    bursts: Iterable[Known], *, seeds: Iterable[int], progress: bool = False
) -> pd.DataFrame:
    """Render every burst with every seed, measure it, and return what was found.

    Parameters
    ----------
    bursts : iterable of Known
    seeds : iterable of int
    progress : bool
        A bar on stderr.

    Returns
    -------
    DataFrame
        One row a number: ``burst``, ``seed``, ``number``, ``true``, and ``value``, ``low`` and
        ``high``, NaN where the burst did not tell it.
    """
    asked = [(known, seed) for known in bursts for seed in seeds]
    bar = tqdm(asked, desc="calibrate", unit="burst", disable=not progress)
    return pd.DataFrame([row for known, seed in bar for row in _rows(known, seed)])


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
        of ``seeds``, in how many the 95 % interval is ``inside`` the truth's place, and the
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


def _rows(known: Known, seed: int) -> list[dict[str, str | int | float]]:
    rig = load_rig(_RIG)
    burst = _rendered(known, rig, seed)
    found = calibrate(burst, rig, stance=known.told_stance, light=known.told_light, seed=seed)
    rows: list[dict[str, str | int | float]] = []
    for number, true in known.truth.items():
        told = found.measured.get(number)
        value, low, high = (told.value, told.low, told.high) if told else (np.nan,) * 3
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


def _rendered(known: Known, rig: Rig, seed: int) -> Burst:
    shot = shoot(
        load_scene(_SCENE),
        rig,
        stance=known.stance,
        light=known.light,
        approach=replace(known.stance.approach, start_mm=known.start_mm),
        frames=_FRAMES,
        bin=_BIN,
        seed=seed,
    )
    return Burst(
        frames=[frame.image for frame in shot],
        times_s=np.array([record.time_s for record in shot.records]),
        times_from="the simulator",
        each_timed=True,
        exposure_s=known.light.exposure_s,
        linear=False,
        pitch_um=rig.sensor.pitch_um * _BIN,
    )


def _hands(stance: Stance) -> dict[str, float]:
    """Return what a picture can show of some hands."""
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
