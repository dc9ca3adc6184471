"""A plan as plain data, for programs."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from ..advise.advice import Plan
from ..draw.forecast import Forecast
from ..draw.planned import KEY, Planned, planned_data
from ..draw.setting import Setting
from .words import CAUTIONS, sentences, title

#: Version of the record: raised when a key changes its meaning or is taken out.
FORMAT = 2


def plan_record(plan: Plan) -> dict[str, Any]:
    """Return a plan as dicts, lists, numbers and text; lengths in mm, shares and chances 0 to 1."""
    figures = plan.depth_figures
    return {
        "format": FORMAT,
        "title": title(plan),
        "verdict": plan.verdict,
        "words": sentences(plan),
        "asked": _asked(plan.setting),
        "seed": plan.seed,
        KEY: planned_data(planned_of(plan)),
        "depth_of_field": {**asdict(figures), "used_mm": plan.setting.lane.total_mm},
        "advised": forecast_record(plan.advised),
        "reaches_wanted_chance": plan.reaches,
        "unplanned": forecast_record(plan.unplanned),
        "frames_for_chance": [
            {"chance": chance, "way": None if found is None else forecast_record(found)}
            for chance, found in plan.for_chance.items()
        ],
        "cost": asdict(plan.cost),
        "enough_frames": plan.enough_frames,
        "choices": [asdict(row) for row in plan.choices],
        "flash_powers": [asdict(row) for row in plan.powers],
        "cadence": {
            "asked_frames_per_s": plan.setting.light.cadence.frames_per_s,
            "sustained_frames_per_s": plan.sustained_frames_per_s,
            "frames_before_flash_waits": plan.free_frames,
        },
        "helps": [asdict(remedy) for remedy in plan.remedies],
        "cautions": list(CAUTIONS),
    }


def planned_of(plan: Plan) -> Planned:
    """Return what a plan says to shoot."""
    best = plan.advised
    return Planned(setting=plan.setting, way=best.way, chance=best.chance)


def forecast_record(forecast: Forecast) -> dict[str, Any]:
    """Return a forecast as plain data."""
    record = asdict(forecast)
    way = record.pop("way")
    low, high = record.pop("chance_interval")
    return {
        "passes": way["passes"],
        "frames": way["frames"],
        "kind": way["approach"]["kind"],
        "apart_mm": way["apart_mm"],
        "total_frames": forecast.way.total_frames,
        **record,
        "chance_low": low,
        "chance_high": high,
    }


def _asked(setting: Setting) -> dict[str, Any]:
    lens, sharp = setting.rig.lens, setting.sharpness
    return {
        "rig": setting.rig.name,
        "focal_length_mm": lens.focal_length_mm,
        "magnification": lens.magnification,
        "f_number": lens.f_number,
        "working_f_number": setting.working_f_number,
        "pitch_um": setting.rig.sensor.pitch_um,
        "stance": setting.stance.name,
        "approach": setting.stance.approach.kind,
        "light": setting.light.name,
        "flash_power": setting.light.flash.power if setting.light.flash else None,
        "subject": setting.subject.name,
        "depth_mm": setting.depth_mm,
        "subject_mm": setting.subject_mm,
        "start_error_mm": setting.stance.start_error_mm,
        "stop_error_mm": setting.stance.stop_error_mm,
        "reaction_s": setting.stance.reaction_s,
        "slowest_mm_per_s": setting.stance.slowest_mm_per_s,
        "blur_px": sharp.blur_px,
        "detail_cy_per_px": sharp.frequency_cy_per_px,
        "contrast_share": sharp.contrast_share,
        "sharpness_by": sharp.measured_by,
        "chance": setting.chance,
        "overlap": setting.overlap,
    }
