"""The few numbers to shoot by, each with what it is."""

from __future__ import annotations

from ..advise.advice import Plan
from .words import f_stop, frames_of, many, mm, power, shutter


def tiles(plan: Plan) -> list[tuple[str, str]]:
    """Return the numbers of the recommended way; nothing where there is no such way."""
    if plan.verdict == "not this way":
        return []
    best, asked = plan.advised, plan.setting
    way = best.way
    in_passes = "in one pass" if way.passes == 1 else f"in {many(way.passes, 'pass')}"
    return [
        (frames_of(way.passes, way.frames), f"frames, {in_passes}"),
        _step(plan),
        _pace(plan),
        (f_stop(asked.rig.lens.f_number), "f-number"),
        _light(plan),
        _rate(plan),
    ]


def _step(plan: Plan) -> tuple[str, str]:
    way = plan.advised.way
    if way.approach.kind != "hold":
        return mm(plan.advised.step_mm), "from frame to frame"
    if way.apart_mm > 0:
        return mm(way.apart_mm), "farther each pass"
    return "middle", "of the depth: hold there"


def _pace(plan: Plan) -> tuple[str, str]:
    best = plan.advised
    if best.way.approach.kind == "hold":
        return "hold still", f"{best.planned_s:.1f} s a pass"
    if plan.setting.goal.regular:
        return mm((best.way.frames - 1) * best.step_mm), "from first to last"
    return f"{best.speed_mm_per_s:.2g} mm/s", f"toward it; {best.planned_s:.1f} s a pass"


def _light(plan: Plan) -> tuple[str, str]:
    light = plan.setting.light
    if light.flash is None:
        return shutter(light.exposure_s), "without a flash"
    return power(light.flash.power), "flash power"


def _rate(plan: Plan) -> tuple[str, str]:
    asked = plan.setting.light.cadence.frames_per_s
    kept = min(asked, plan.sustained_frames_per_s)
    what = f"the flash holds back {asked:g}/s" if kept < asked else "frame rate"
    return f"{kept:.2g}/s", what
