"""The plan in words and tables, plain words first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import hypot

from ....simulator.handling.light import Light
from ..advise.advice import Plan
from ..advise.aperture import DETAIL_CONTRAST
from ..advise.choices import Choice
from ..advise.remedies import Remedy
from ..advise.search import MOST_IN_ALL
from ..draw.forecast import Forecast
from ..draw.setting import LONGEST_PASS_S
from ..draw.way import Way

#: Heading of what goes with every plan.
SAFETY = "Before you shoot"

#: Share of the depth of field from which a curved field is told (our choice).
_LITTLE = 0.1
#: Lengths below this are told in um.
_FINE_MM = 0.00995

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
    parts += ["", SAFETY, *(f"- {caution}" for caution in CAUTIONS)]
    for table in tables(plan):
        parts += ["", table.heading, *_lines(table)]
        if table.note:
            parts.append(table.note)
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
    """Return the answer in a few sentences, the verdict first."""
    said = [verdict(plan), *cure(plan)]
    if plan.verdict == "not this way":
        said.append(_best_found(plan))
    else:
        said += [how(plan), costs(plan)]
    return [*said, _unplanned(plan), *_losses(plan), *_curved(plan)]


def tables(plan: Plan) -> list[TextTable]:
    """Return all tables of the plan."""
    found = [_choice_table(plan), _chance_table(plan)]
    if plan.remedies:
        found.append(_remedy_table(plan))
    if plan.powers:
        found.append(_power_table(plan))
    return [*found, _depth_table(plan)]


def verdict(plan: Plan) -> str:
    """Return in one line whether it can be done this way."""
    best, way = plan.advised, plan.advised.way
    chance = f"{percent(best.chance)} chance that nothing is missed ({_interval(best)})"
    if plan.verdict == "not this way":
        return f"Not this way: {chance}, however it is shot."
    shot = f"{chance}, with {_passes_of(way)}"
    if plan.verdict == "marginal":
        wanted = percent(plan.setting.chance)
        under = "just under what was" if percent(best.chance) == wanted else f"{wanted} were"
        return f"Marginal: {shot}; {under} wanted."
    return f"Possible: {shot}."


def cure(plan: Plan) -> list[str]:
    """Return the cheapest change that makes it possible, or the most helpful one."""
    if plan.reaches:
        return []
    for remedy in plan.remedies:
        if remedy.reaches:
            return [
                f"Cheapest change that makes it possible: {remedy.advice} "
                f"({_gain_in_words(remedy)}, {many(remedy.frames, 'frame')} in "
                f"{many(remedy.passes, 'pass')})."
            ]
    if plan.remedies:
        most = plan.remedies[0]
        return [
            "No change that was tried makes it possible. What helps most: "
            f"{most.advice} ({_gain_in_words(most)})."
        ]
    return ["No change that was tried helps."]


def how(plan: Plan) -> str:
    """Return how the advised way is shot."""
    best, way = plan.advised, plan.advised.way
    frames = many(way.frames, "frame")
    what = f"one pass of {frames}"
    if way.passes > 1:
        what = f"{many(way.passes, 'pass')} of {frames} each, framed anew each time"
    if way.approach.kind == "hold":
        return (
            f"Hold still and let your own sway scan the depth: {what}, {best.planned_s:.1f} s a "
            f"pass. {where(best)} Leaning would have to be slower than "
            f"{plan.setting.stance.slowest_mm_per_s:g} mm/s, and no body leans that slowly."
        )
    step = f"{mm(best.step_mm)} a frame, {percent(best.step_share)} of the depth of field"
    if plan.setting.goal.regular:
        return f"Shoot {what} in steps of {step}. {where(best)}"
    return (
        f"Shoot {what}: lean in at {best.speed_mm_per_s:.2g} mm/s, {best.planned_s:.1f} s a pass "
        f"({step}). {where(best)} People start off by {mm(plan.setting.stance.start_error_mm)} and "
        f"let go {plan.setting.stance.reaction_s:g} s late; that is in the chance."
    )


def where(best: Forecast) -> str:
    """Return where a pass starts and ends."""
    way = best.way
    if way.approach.kind == "hold" and way.apart_mm > 0:
        first = mm(way.approach.start_mm + float(way.offsets_mm()[0]))
        further = f"in each further pass {mm(way.apart_mm)} farther"
        return f"Hold the focus {first} behind the nearest point, {further}."
    if way.approach.kind == "hold":
        return "Hold the focus in the middle of the depth."
    before, behind = max(best.start_before_mm, 0.0), max(best.end_behind_mm, 0.0)
    start = f"{mm(before)} before" if before > 0.0005 else "on"
    end = f"{mm(behind)} behind" if behind > 0.0005 else "on"
    return f"Start with the focus {start} the nearest point and end {end} the farthest."


def costs(plan: Plan) -> str:
    """Return what the advised way costs."""
    cost, way = plan.cost, plan.advised.way
    # Nobody turns a stage as fast as a camera fires.
    least = "at least " if plan.setting.goal.regular else ""
    time = f"{least}{_seconds(cost.pass_s)} a pass"
    if way.passes > 1:
        time += f", {_seconds(cost.all_s)} in all"
    said = (
        f"Expect {cost.frames:.0f} frames, {cost.keepers:.0f} of them fit for the merge; {time}; "
        f"{cost.megabytes / 1000:.2g} GB of raw files"
    )
    if cost.flashes:
        said += f"; {cost.flashes:.0f} flashes, the charge of {cost.charges:.2g} at full power"
    more = ""
    if plan.setting.goal.handheld:
        more = f" More than {plan.enough_frames} frames in all hardly help."
    return f"{said}.{more}"


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
    """Return a length with two significant figures, below a hundredth of a mm in um."""
    if 0 < abs(length_mm) < _FINE_MM:
        return f"{1000 * length_mm:#.2g} um"
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


def _passes_of(way: Way) -> str:
    if way.passes == 1:
        return f"one pass of {many(way.frames, 'frame')}"
    return f"{many(way.passes, 'pass')} of {many(way.frames, 'frame')}"


def _interval(best: Forecast) -> str:
    low, high = (100 * end for end in best.chance_interval)
    digits = next((few for few in (0, 1) if round(high, few) > round(low, few)), 2)
    return f"{low:.{digits}f} to {high:.{digits}f} %"


def _gain(remedy: Remedy) -> str:
    return f"{percent(remedy.chance_before)} -> {percent(remedy.chance)}"


def _gain_in_words(remedy: Remedy) -> str:
    """Return the same for a sentence; an arrow may be broken at the end of a line."""
    return f"from {percent(remedy.chance_before)} to {percent(remedy.chance)}"


def _seconds(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds < 99.5 else f"{seconds / 60:.0f} min"


def _best_found(plan: Plan) -> str:
    best = plan.advised
    return (
        f"The best that was found up to {MOST_IN_ALL} frames, no pass longer than "
        f"{LONGEST_PASS_S:g} s, covers {percent(best.share)} of the depth on average."
    )


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


def _losses(plan: Plan) -> list[str]:
    best, framing = plan.advised, plan.setting.framing
    lost = [
        (best.smeared_share, "smeared by motion"),
        (best.dark_share, "too dark"),
        (best.strayed_share, "with a part of the subject outside the picture"),
    ]
    said = [f"{percent(share)} {why}" for share, why in lost if share >= 0.005]
    told = [f"Of the frames expect {', '.join(said)}."] if said else []
    if best.wander_mm < 0.05:
        return told
    room = min(framing.room_across_mm, framing.room_down_mm)
    subject = "half of it" if framing.subject_mm is None else f"{mm(framing.subject_mm)} of it"
    told.append(
        f"The picture wanders {mm(best.wander_mm)} sideways (95 % of passes less); a subject that "
        f"fills {subject} leaves {mm(room)} of room."
    )
    return told


def _curved(plan: Plan) -> list[str]:
    """Return what a curved field does to the plan, in a sentence; none where it does little."""
    framing, setting = plan.setting.framing, plan.setting
    if framing.subject_mm is None:
        corner_mm = hypot(framing.half_width_mm, framing.half_height_mm) / 2
    else:
        corner_mm = framing.subject_mm / 2**0.5
    sag_mm = setting.rig.lens.field_curvature_per_mm / 2 * corner_mm**2
    if abs(sag_mm) < _LITTLE * setting.lane.total_mm:
        return []
    side = "farther" if sag_mm > 0 else "nearer"
    return [
        f"The field of this lens is curved: at the subject's corner it is sharp {mm(abs(sag_mm))} "
        f"{side} than in the middle. The chance does not know that: plan for so much more depth."
    ]


def _depth_table(plan: Plan) -> TextTable:
    figures = plan.depth_figures
    sharp = plan.setting.sharpness
    contrast = "none" if figures.contrast_mm is None else mm(figures.contrast_mm)
    circle_um = sharp.blur_px * plan.setting.rig.sensor.pitch_um
    rays = f"geometric (circle of confusion {circle_um:.0f} um, {sharp.blur_px:.2g} px)"
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


def _choice_table(plan: Plan) -> TextTable:
    mark = "best found" if plan.verdict == "not this way" else "recommended"
    rows = tuple(
        (
            mark if row.marked else "",
            f_stop(row.f_number),
            percent(row.detail_contrast),
            _light_cell(row),
            str(row.passes),
            *(
                "-" if chance is None or count is None else f"{percent(chance)} ({count})"
                for chance, count in zip(row.chances, row.frames, strict=True)
            ),
        )
        for row in plan.choices
    )
    return TextTable(
        heading="Choices, and their chance that nothing is missed (frames of each pass)",
        columns=(
            "",
            "f-number",
            "fine detail",
            "light",
            "passes",
            "finer step",
            "this step",
            "coarser step",
        ),
        rows=rows,
        note="All rows are from the same drawn passes. Fine detail: contrast in focus at half of "
        f"the finest the sensor records; {percent(DETAIL_CONTRAST)} is worth having. A dash: more "
        f"than {MOST_IN_ALL} frames in all, or longer than {LONGEST_PASS_S:g} s.",
    )


def _light_cell(row: Choice) -> str:
    stops = round(row.light_stops)
    unit = "" if row.power is None else f"flash {power(row.power)}, "
    if stops == 0:
        return f"{unit}as set"
    return f"{unit}{stops:+d} {'stop' if abs(stops) == 1 else 'stops'}: " + (
        f"ISO x {2**-stops}" if stops < 0 else f"ISO / {2**stops}"
    )


def _chance_table(plan: Plan) -> TextTable:
    rows = []
    for chance, found in plan.for_chance.items():
        if found is None:
            rows.append((percent(chance), frames_of(None, None), "-", "-"))
            continue
        held = found.way.approach.kind == "hold"
        rows.append(
            (
                percent(chance),
                frames_of(found.way.passes, found.way.frames),
                "held still" if held else mm(found.step_mm),
                f"{found.planned_s:.1f} s",
            )
        )
    return TextTable(
        heading="Frames to shoot for a chance that nothing is missed",
        columns=("chance", "frames", "step", "each pass"),
        rows=tuple(rows),
    )


def _power_table(plan: Plan) -> TextTable:
    rows = tuple(
        (
            power(row.power),
            f"{row.light_stops + 0.0:+.0f} stops",
            f"1/{round(1 / row.duration_s, -2):.0f} s",
            "all" if row.free_frames is None else str(row.free_frames),
            f"{row.sustained_frames_per_s:.2g}/s",
        )
        for row in plan.powers
    )
    asked = plan.setting.light.cadence.frames_per_s
    return TextTable(
        heading=f"What the flash allows, at {asked:g} frames a second asked of the camera",
        columns=("power", "light", "burns", "frames before a wait", "then"),
        rows=rows,
    )


def _remedy_table(plan: Plan) -> TextTable:
    rows = tuple(
        (
            remedy.name,
            _gain(remedy),
            f"{remedy.frames_before} -> {remedy.frames}",
            "yes" if remedy.reaches else "no",
            remedy.advice,
        )
        for remedy in plan.remedies
    )
    return TextTable(
        heading="What would help, the cheapest first",
        columns=("change", "chance", "frames in all", "enough", "how"),
        rows=rows,
        note="Each change shot in its own best way, in the same draws as without it.",
    )


def _lines(table: TextTable) -> Iterable[str]:
    columns: Sequence[Sequence[str]] = [table.columns, *table.rows]
    widths = [max(len(row[i]) for row in columns) for i in range(len(table.columns))]
    for row in columns:
        yield (
            "  "
            + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        )
