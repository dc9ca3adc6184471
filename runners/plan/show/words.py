"""The plan in words and tables, plain words first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from ....simulator.handling.light import Light
from ..advise.advice import Plan
from ..advise.aperture import DETAIL_CONTRAST
from ..advise.search import LONGEST_PASS_S, MOST_IN_ALL
from ..draw.forecast import Forecast

#: What goes with every plan. Local rules come first.
CAUTIONS = (
    "Local rules on species, places and land come first. Where they say no, there is no picture.",
    "Leave what lives unharmed and where it is: never chill, glue, pin, chase, pick or bend it or "
    "what it sits on. When it turns away or stops feeding, stop.",
    "No full-power flash close to eyes, an animal's or a person's. Diffuse it, use low power, and "
    "few passes.",
    "Mind your footing before you look through the finder: edges, water, traffic, thorns, nests.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TextTable:
    """A table of text: heading, column names, rows, and a note below."""

    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""


def plan_text(plan: Plan) -> str:
    """Return the whole plan as text for a terminal."""
    parts = [title(plan), "", *sentences(plan)]
    for table in tables(plan):
        parts += ["", table.heading, *_lines(table)]
        if table.note:
            parts.append(table.note)
    parts += ["", "In the field", *(f"- {caution}" for caution in CAUTIONS)]
    return "\n".join(parts)


def title(plan: Plan) -> str:
    """Return the one line that says what was asked."""
    asked = plan.setting
    lens = asked.rig.lens
    return (
        f"{asked.depth_mm:g} mm deep at {ratio(lens.magnification)}, {f_stop(lens.f_number)}: "
        f"{asked.stance.title or asked.stance.name}; {light_words(asked.light)}"
    )


def light_words(light: Light) -> str:
    """Return a light by its numbers."""
    rate = f"{light.cadence.frames_per_s:g} frames a second"
    if light.flash is None:
        return f"no flash, {shutter(light.exposure_s)}, {rate}"
    mixed = f" with {percent(light.ambient_share)} ambient light" if light.ambient_share else ""
    return f"flash at {power(light.flash.power)}{mixed}, {rate}"


def sentences(plan: Plan) -> list[str]:
    """Return the answer in a few sentences."""
    best = plan.advised
    said = [_how(plan), where(best), promise(plan), _unplanned(plan)]
    losses = _losses(best)
    if losses:
        said.append(losses)
    return said


def tables(plan: Plan) -> list[TextTable]:
    """Return all tables of the plan."""
    found = [_depth_table(plan), _chance_table(plan), _aperture_table(plan)]
    if plan.powers:
        found.append(_power_table(plan))
    if plan.remedies:
        found.append(_remedy_table(plan))
    return found


def where(best: Forecast) -> str:
    """Return where a pass starts and ends."""
    before, behind = max(best.start_before_mm, 0.0), max(best.end_behind_mm, 0.0)
    start = f"{mm(before)} before" if before > 0.0005 else "on"
    end = f"{mm(behind)} behind" if behind > 0.0005 else "on"
    return f"Start with the focus {start} the nearest point and end {end} the farthest."


def promise(plan: Plan) -> str:
    """Return what the advised way promises."""
    best, wanted = plan.advised, plan.setting.chance
    low, high = best.chance_interval
    sure = f"({100 * low:.0f} to {100 * high:.0f} %, from {best.tries} drawn tries)"
    if plan.reaches:
        if best.chance == 1:
            return f"That covers the whole depth without a gap every time ({best.tries} tries)."
        return (
            f"That covers the whole depth without a gap in {percent(best.chance)} of tries {sure}; "
            f"on average it covers {percent(best.share)} of it."
        )
    return (
        f"Nothing tried up to {MOST_IN_ALL} frames, no pass longer than {LONGEST_PASS_S:g} s, "
        f"covers it all in {percent(wanted)} of tries. This covers {percent(best.share)} of the "
        f"depth on average, all of it in {percent(best.chance)} of tries {sure}: see what would "
        "help."
    )


def many(count: int, what: str) -> str:
    """Return a number with its noun in the right form."""
    ending = "" if count == 1 else "es" if what.endswith("s") else "s"
    return f"{count} {what}{ending}"


def ratio(magnification: float) -> str:
    """Return a magnification as the trade writes it."""
    if magnification >= 1:
        return f"{magnification:g}:1"
    return f"1:{1 / magnification:.3g}"


def f_stop(number: float) -> str:
    """Return an f-number as engraved."""
    return f"f/{number:.2g}" if number < 10 else f"f/{number:.0f}"


def percent(share: float) -> str:
    """Return a share in percent; rounding makes it neither all nor nothing."""
    if 0.995 <= share < 1:
        return "over 99 %"
    if 0 < share < 0.005:
        return "under 1 %"
    return f"{100 * share:.0f} %"


def mm(length_mm: float) -> str:
    """Return a length with two significant figures."""
    return f"{length_mm:#.2g} mm" if abs(length_mm) < 9.95 else f"{length_mm:.0f} mm"


def shutter(seconds: float) -> str:
    """Return a shutter time as the trade writes it."""
    return f"{seconds:g} s" if seconds >= 0.4 else f"1/{1 / seconds:.0f} s"


def power(share: float) -> str:
    """Return a flash power as the trade writes it."""
    return "full power" if share == 1 else f"1/{1 / share:.3g}"


def frames_of(passes: int | None, frames: int | None) -> str:
    """Return passes and frames of a way, or that there is none."""
    if passes is None or frames is None:
        return f"more than {MOST_IN_ALL}"
    return f"{frames}" if passes == 1 else f"{passes} x {frames}"


def _how(plan: Plan) -> str:
    best, regular = plan.advised, plan.setting.goal.regular
    way = best.way
    frames = many(way.frames, "frame")
    what = f"one pass of {frames}"
    if way.passes > 1:
        what = f"{many(way.passes, 'pass')} of {frames} each, framed anew each time,"
    step = f"{mm(best.step_mm)} a frame, {percent(best.step_share)} of the depth of field"
    if regular:
        return f"Shoot {what} in steps of {step}."
    pace = f"{best.duration_s:.1f} s, moving in at {best.speed_mm_per_s:.2g} mm/s"
    return f"Shoot {what} in {pace} ({step})."


def _unplanned(plan: Plan) -> str:
    usual = plan.unplanned
    pace = (
        f"steps of {mm(usual.step_mm)}"
        if plan.setting.goal.regular
        else (f"{usual.speed_mm_per_s:.2g} mm/s")
    )
    return (
        f"Unplanned, one pass at {pace} takes {many(usual.way.frames, 'frame')} and covers "
        f"{percent(usual.share)} of the depth on average, all of it in {percent(usual.chance)} "
        "of tries."
    )


def _losses(best: Forecast) -> str:
    lost = [
        (best.smeared_share, "smeared by motion"),
        (best.dark_share, "too dark"),
        (best.strayed_share, "strayed off the subject"),
    ]
    said = [f"{percent(share)} {why}" for share, why in lost if share >= 0.005]
    told = f"Of the frames expect {', '.join(said)}. " if said else ""
    if best.wander_mm < 0.05:
        return told
    return f"{told}Leave {mm(best.wander_mm)} of room round the subject: the picture wanders."


def _depth_table(plan: Plan) -> TextTable:
    figures = plan.depth_figures
    sharp = plan.setting.sharpness
    contrast = "none" if figures.contrast_mm is None else mm(figures.contrast_mm)
    rays = f"geometric (blur disc of {sharp.blur_px:.2g} px)"
    both = (
        f"contrast of this lens ({percent(sharp.contrast_share)} left at "
        f"{sharp.frequency_cy_per_px:.2g} cycles/px)"
    )
    if sharp.measured_by == "blur":
        rays += ", used here"
    else:
        both += ", used here"
    return TextTable(
        heading=f"Depth of field, working aperture {f_stop(plan.setting.working_f_number)}",
        columns=("by", "depth"),
        rows=(
            (rays, mm(figures.geometric_mm)),
            ("quarter wave", mm(figures.quarter_wave_mm)),
            (both, contrast),
        ),
        note=figures.reason,
    )


def _chance_table(plan: Plan) -> TextTable:
    rows = []
    for chance, found in plan.for_chance.items():
        if found is None:
            rows.append((percent(chance), frames_of(None, None), "-", "-", "-"))
            continue
        rows.append(
            (
                percent(chance),
                frames_of(found.way.passes, found.way.frames),
                mm(found.step_mm),
                percent(found.step_share),
                f"{found.duration_s:.1f} s",
            )
        )
    return TextTable(
        heading="Frames to shoot for a chance that nothing is missed",
        columns=("chance", "frames", "step", "of depth of field", "each pass"),
        rows=tuple(rows),
    )


def _aperture_table(plan: Plan) -> TextTable:
    rows = tuple(
        (
            f_stop(row.f_number),
            f_stop(row.working_f_number),
            percent(row.detail_contrast),
            "-" if row.depth_of_field_mm is None else mm(row.depth_of_field_mm),
            "-" if row.depth_of_field_mm is None else frames_of(row.passes, row.frames),
            "advised" if row.advised else "",
        )
        for row in plan.apertures
    )
    return TextTable(
        heading=f"f-number: sharpness against frames (for {percent(plan.setting.chance)})",
        columns=("f-number", "works as", "fine detail", "depth of field", "frames", ""),
        rows=rows,
        note="Fine detail: contrast in focus at half of the finest the sensor records. Advised: "
        f"the fewest frames that leave it {percent(DETAIL_CONTRAST)}.",
    )


def _power_table(plan: Plan) -> TextTable:
    rows = tuple(
        (
            power(row.power),
            f"{row.light_stops + 0.0:+.0f} stops",
            f"1/{round(1 / row.duration_s, -2):.0f} s",
            "all" if row.free_frames is None else str(row.free_frames),
            f"{row.sustained_frames_per_s:.2g}/s",
            frames_of(row.passes, row.frames),
            "advised" if row.advised else "",
        )
        for row in plan.powers
    )
    asked = plan.setting.light.cadence.frames_per_s
    return TextTable(
        heading=f"Flash power, at {asked:g} frames a second asked of the camera",
        columns=("power", "light", "burns", "frames before a wait", "then", "frames", ""),
        rows=rows,
        note="Advised: the most light that costs few frames more. Make up for less with ISO.",
    )


def _remedy_table(plan: Plan) -> TextTable:
    rows = tuple(
        (
            str(place),
            remedy.name,
            f"{percent(remedy.chance_before)} -> {percent(remedy.chance)}",
            f"more than {MOST_IN_ALL}" if remedy.frames is None else str(remedy.frames),
            remedy.advice,
        )
        for place, remedy in enumerate(plan.remedies, start=1)
    )
    return TextTable(
        heading=f"What would help most (tried on one pass of {plan.trial_frames} frames)",
        columns=("", "change", "chance", f"for {percent(plan.setting.chance)}", "how"),
        rows=rows,
    )


def _lines(table: TextTable) -> Iterable[str]:
    columns: Sequence[Sequence[str]] = [table.columns, *table.rows]
    widths = [max(len(row[i]) for row in columns) for i in range(len(table.columns))]
    for row in columns:
        yield (
            "  "
            + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        )
