"""A review in words and tables, the verdict first."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from ..plan.show.words import mm, percent
from .by_frame import FrameReview
from .gaps import Gap
from .review import LEAST_JUDGED, Review

#: What a review is not.
NOTE = (
    "An estimate: nobody knows the true depth of a real subject. It rests on the rig: a wrong "
    "magnification or f-number makes every mm wrong."
)
#: F-numbers within this ratio are the same: a sixth of a stop.
_SAME_STOP = 2 ** (1 / 12)
#: Most gaps that are told one by one.
_TOLD = 3
_WHY = {
    "weak texture": "too little fine texture",
    "moves": "moves from frame to frame",
    "white": "burnt out",
    "unsure": "too near the limit to say",
}
_STATES = {
    "ok": "",
    "dark": "too dark to count",
    "black": "black",
    "smeared": "motion blur: does not count",
    "not matched": "does not lie on the others: does not count",
}


def title(review: Review) -> str:
    """Return the one line that says what was reviewed."""
    lens = review.rig.lens
    return (
        f"{len(review.frames)} frames, {review.rig.name}: {lens.focal_length_mm:g} mm at "
        f"{lens.magnification:g}:1, f/{lens.f_number:g}; a frame holds {mm(review.lane.total_mm)}"
    )


def verdict_line(review: Review) -> str:
    """Return the answer in one line."""
    match review.verdict:
        case "gap":
            inner = inner_gaps(review)
            largest = max(inner, key=lambda gap: gap.size_mm)
            others = "" if len(inner) == 1 else f"; {len(inner)} gaps in all"
            return (
                f"Shoot again: no frame holds {_size(largest)} of depth between "
                f"{_name(review, largest.before)} and {_name(review, largest.behind)}, where "
                f"{percent(largest.share)} of what can be judged lies{others}."
            )
        case "ends":
            return (
                "No gap between the frames, but the burst stops short: "
                f"{' and '.join(_ends(review))}. If that is subject, shoot on."
            )
        case "enough":
            return (
                "Enough: no gap. All that can be judged, "
                f"{percent(review.judged)} of the picture, is sharp in some frame."
            )
    return (
        f"Cannot tell: only {percent(review.judged)} of the picture can be judged; "
        f"{_mostly(review)}."
    )


def sentences(review: Review) -> list[str]:
    """Return what is found, in plain sentences, the verdict first."""
    found = [verdict_line(review)]
    inner = inner_gaps(review)
    if len(inner) > 1:
        for gap in sorted(inner, key=lambda gap: -gap.size_mm)[:_TOLD]:
            found.append(
                f"Missing: {_size(gap)} between {_name(review, gap.before)} and "
                f"{_name(review, gap.behind)}, with {percent(gap.share)} of what can be judged."
            )
    if review.verdict == "gap" and (ends := _ends(review)):
        found.append(f"Besides, {' and '.join(ends)}: background, or the burst stops short.")
    found += [*_another_pass(review), *_other_f_number(review)]
    kept = [frame for frame in review.frames if frame.keep]
    found.append(
        f"Keep {len(kept)} of {len(review.frames)} frames: the others show nothing sharper by more "
        "than a tenth of its contrast."
    )
    found += _lost_frames(review)
    if review.verdict != "cannot tell" and review.judged < 1:
        found.append(
            f"{percent(1 - review.judged)} of the picture cannot be judged: {_reasons(review)}."
        )
    return found


def _another_pass(review: Review) -> Iterator[str]:
    """Say what one more pass would have to hold."""
    inner = inner_gaps(review)
    if not inner:
        return
    near = min(gap.near_mm for gap in inner)
    far = max(gap.far_mm for gap in inner)
    span = max(far - near, 0.0)
    step = 0.6 * review.lane.total_mm
    yield (
        f"Another pass over {mm(span)} closes it: about {int(span / step) + 2} frames, "
        f"{mm(step)} or less apart."
    )


def _other_f_number(review: Review) -> Iterator[str]:
    """Say that the camera's f-number is not the rig's: all mm rest on it."""
    told, ours = review.f_number_told, review.rig.lens.f_number
    if told is not None and not 1 / _SAME_STOP < told / ours < _SAME_STOP:
        yield (
            f"The camera wrote f/{told:g} and the rig says f/{ours:g}: if the lens was set to "
            f"f/{told:g}, review again with --f-number {told:g}."
        )


def _lost_frames(review: Review) -> Iterator[str]:
    for state, told in (
        ("smeared", "lost to motion blur"),
        ("dark", "too dark"),
        ("black", "black"),
        ("not matched", "unlike the others"),
    ):
        names = [frame.name for frame in review.frames if frame.state == state]
        if names:
            yield f"{len(names)} of {len(review.frames)} frames {told}: {_listed(names)}."
    copies = [frame.name for frame in review.frames if frame.copy]
    if copies:
        yield f"There twice: {_listed(copies)}."


def _listed(names: list[str]) -> str:
    shown = ", ".join(names[:4])
    return shown if len(names) <= 4 else f"{shown} and {len(names) - 4} more"


def inner_gaps(review: Review) -> list[Gap]:
    """Return the gaps between two planes of focus."""
    return [gap for gap in review.held.gaps if gap.inner]


def _ends(review: Review) -> list[str]:
    found = []
    for gap in review.held.gaps:
        side = "before the nearest" if gap.before is None else "behind the farthest"
        if gap.before is None or gap.behind is None:
            found.append(f"{percent(gap.share)} of what can be judged lies {side} plane of focus")
    return found


def _mostly(review: Review) -> str:
    why = max(_WHY, key=lambda name: review.shares[name])
    part = percent(review.shares[why])
    if review.judged >= LEAST_JUDGED or why == "moves":
        return f"{percent(review.shares['moves'])} of it moves from frame to frame"
    told = {"weak texture": "has", "white": "is", "unsure": "is"}[why]
    return f"{part} of it {told} {_WHY[why]}"


def _reasons(review: Review) -> str:
    parts = {name: share for name, share in review.shares.items() if name in _WHY}
    ordered = sorted(parts, key=lambda name: -parts[name])
    shown = [name for name in ordered if parts[name] > 0.005] or ordered[:1]
    if len(shown) == 1:
        return _WHY[shown[0]]
    return ", ".join(f"{_WHY[name]} ({percent(parts[name])})" for name in shown)


def _size(gap: Gap) -> str:
    low = max(gap.size_mm - gap.error_mm, 0.0)
    return f"{mm(gap.size_mm)} ({low:.2f} to {gap.size_mm + gap.error_mm:.2f})"


def _name(review: Review, row: int | None) -> str:
    """Return the file of a frame by its place among those that were measured."""
    assert row is not None
    return [frame.name for frame in review.frames if frame.place is not None][row]


def remark(frame: FrameReview) -> str:
    """Return what is to be said of a frame; empty where there is nothing."""
    if frame.copy:
        return f"same picture as {frame.same_as}"
    if frame.state != "ok":
        return _STATES[frame.state]
    return "" if frame.same_as is None else f"same depth as {frame.same_as}"


def frame_rows(review: Review) -> pd.DataFrame:
    """Return one row for each frame, in the order of shooting."""
    rows = [
        {
            "frame": frame.name,
            "state": frame.state,
            "keep": frame.keep,
            "depth_order": frame.place,
            "focus_mm": frame.focus_mm,
            "focus_error_mm": frame.focus_error_mm,
            "sharp_share": frame.sharp_share,
            "smear_px": frame.smear_px,
            "smear_degrees": frame.smear_degrees,
            "light_stops": frame.stops,
            "white_share": frame.clipped,
            "settings": frame.settings,
            "remark": remark(frame),
        }
        for frame in review.frames
    ]
    return pd.DataFrame(rows).astype({"depth_order": "Int64"}).round(4)


def frame_table(review: Review) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Return the names of the columns and the rows of the table of frames.

    A column in which nothing stands is left out.
    """
    rows = _table_rows(review)
    told = [
        column
        for column in range(len(COLUMNS))
        if any(row[column] not in ("", "-") for row in rows)
    ]
    return (
        tuple(COLUMNS[column] for column in told),
        [tuple(row[column] for column in told) for row in rows],
    )


def _table_rows(review: Review) -> list[tuple[str, ...]]:
    return [
        (
            frame.name,
            "keep" if frame.keep else "",
            "-" if frame.place is None else f"{frame.place}",
            "-"
            if frame.focus_mm is None or frame.focus_error_mm is None
            else f"{frame.focus_mm:+.2f} ± {frame.focus_error_mm:.2f}",
            percent(frame.sharp_share),
            "-" if frame.smear_px is None else f"{frame.smear_px:.1f}",
            f"{frame.stops:+.1f}",
            frame.settings or "-",
            remark(frame),
        )
        for frame in review.frames
    ]


#: Names of all columns of the table of frames.
COLUMNS = (
    "frame",
    "keep",
    "order in depth",
    "focus, mm",
    "sharp",
    "motion blur, px",
    "light, stops",
    "settings",
    "remark",
)


def review_text(review: Review) -> str:
    """Return the review as text for a terminal."""
    columns, rows = frame_table(review)
    rows = [columns, *rows]
    widths = [max(len(row[column]) for row in rows) for column in range(len(columns))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]
    return "\n".join([*sentences(review), "", title(review), "", *lines, "", NOTE])
