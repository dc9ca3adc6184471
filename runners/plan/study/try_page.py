"""One try of a plan as a page: the frames in a row, which depths they hold, and the merged picture.

Everything is in the page itself, so that it can be sent to somebody.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from ....ground.srgb import clipped_srgb
from ....ground.types import Codes, Floats, Image
from ....simulator.handling.ends import goes_to_a_place
from ....simulator.shooting.motion import blur_diameter_px, nearest
from ....simulator.shooting.shoot import Shoot
from ...figures import plain_text
from ...html_page import filled
from ...html_pictures import as_jpeg, as_png
from ...methods.picture.stack import binned
from ...methods.picture.tone import to_light
from ..show.plots import INCHES, draw_lanes
from ..show.words import TextTable, many, mm, percent
from .tries import Try, plane_mm

#: Width of a picture and of a small one, px; those of a whole sensor come out about so wide.
WIDE, SMALL = 900, 150
#: What is left of the light where a small picture is not sharp.
_DIMMED = 0.25
#: Least error of a start that is told, mm.
_SEEN_MM = 0.005
#: Depths that are told one by one; more are counted.
_TOLD = 4

#: Returns a frame as it was written, by the number of its pass and its number in that.
Frames = Callable[[int, int], Image]


@dataclass(frozen=True, kw_only=True, eq=False)
class ShownPicture:
    """A large picture on the page.

    Parameters
    ----------
    heading, note : str
    image : array (rows, cols, 3)
        8-bit sRGB.
    """

    heading: str
    note: str
    image: Codes


@plain_text()
def try_page(
    made: Try, frames: Frames, *, pictures: Sequence[ShownPicture] = (), more: Sequence[str] = ()
) -> str:
    """Return the page of a try as HTML.

    Parameters
    ----------
    made : Try
    frames : callable
        Gives the frames, each asked for once.
    pictures : sequence of ShownPicture
        Merged pictures and the like.
    more : sequence of str
        Sentences that are told after those of the try.
    """
    said = [*sentences(made), *more]
    return filled(
        Path(__file__).with_name("try.html"),
        title=title(made),
        verdict="missed" if made.missed else "held",
        sentences=said,
        pictures=[
            {"heading": one.heading, "note": one.note, "address": as_jpeg(one.image)}
            for one in pictures
        ],
        depths=as_png(depths_figure(made)),
        strips=[_strip(made, frames, number) for number in range(len(made.shoots))],
        table=pass_table(made),
    )


def title(made: Try) -> str:
    """Return the line that says what was shot."""
    planned, scene = made.planned, made.shoots[0].scene
    stance = planned.setting.stance
    return (
        f"{scene.name}, {mm(planned.setting.depth_mm)} deep, {stance.title or stance.name}: "
        f"try {made.seed}"
    )


def sentences(made: Try) -> list[str]:
    """Return what came of a try in a few sentences, the verdict first."""
    planned, lanes = made.planned, made.lanes
    depth, counted = mm(planned.setting.depth_mm), int(lanes.usable.sum())
    frames = f"{counted} of {many(len(lanes.usable), 'frame')} count"
    if made.missed:
        lost = sum(far - near for near, far in made.missed)
        first = f"Missed: {mm(lost)} of {depth}, {_depths(made.missed)}. {frames}."
    else:
        first = f"Nothing missed: all of {depth} is in some frame. {frames}."
    promised = f"The plan promises that nothing is missed in {percent(planned.chance)} of tries"
    said = [first, f"{promised}; this is one try. Another seed is another one.", *_lost(made)]
    if made.deeper:
        said.append(
            f"The picture shows {mm(made.shown_mm)} of depth, and the plan is for the {depth} "
            "from the nearest point on."
        )
    return said


def pass_table(made: Try) -> TextTable:
    """Return what became of each pass."""
    rows, way = [], made.planned.way
    for number, (shot, faults) in enumerate(zip(made.shoots, made.faults, strict=True)):
        meant = way.approach.start_mm + way.offsets_mm()[number] + made.near_mm
        off = float(shot.approach.start_mm - meant)
        planes = [plane_mm(record) - made.near_mm for record in shot.records]
        rows.append(
            (
                str(number + 1),
                f"{abs(off):.2f} mm {_side(off)}" if abs(off) >= _SEEN_MM else "as meant",
                f"{shot.frames} ({way.frames} planned)",
                f"{shot.records[-1].time_s:.1f} s",
                f"{min(planes):.2f} to {max(planes):.2f} mm",
                str(sum(not why for why in faults)),
            )
        )
    late = ""
    if goes_to_a_place(way.approach):
        late = f"; people let go {made.planned.setting.stance.reaction_s:g} s late"
    return TextTable(
        heading="Pass by pass",
        columns=("pass", "started", "frames", "took", "focus went over", "count"),
        rows=tuple(rows),
        note=f"Depths from the nearest point wanted, far is positive{late}.",
    )


def depths_figure(made: Try) -> Figure:
    """Draw which frame holds which depth, near at the top."""
    figure = Figure(figsize=(INCHES, 3.9), layout="constrained")
    axes, depth_mm = figure.subplots(), made.planned.setting.depth_mm
    draw_lanes(axes, made.lanes, depth_mm)
    margin = 0.25 * depth_mm + made.planned.setting.lane.total_mm
    axes.set_ylim(depth_mm + margin, -margin)
    axes.set_xlabel("frame, in the order of shooting" + _by_pass(made))
    axes.set_ylabel("depth, mm (far is down)")
    return figure


def as_shown(light: Floats, *, wide: int) -> Codes:
    """Return linear light merged to about a width, as 8-bit sRGB."""
    small = binned(light, max(1, round(light.shape[1] / wide)))
    return np.asarray(np.rint(255 * clipped_srgb(small)), dtype=np.uint8)


def marked(light: Floats, where: Any) -> Floats:
    """Return linear light with some points in red."""
    found = np.array(light, dtype=np.float32)
    found[where] = 0.25 * found[where] + np.array([0.55, 0.03, 0.02], np.float32)
    return found


def _strip(made: Try, frames: Frames, number: int) -> dict[str, Any]:
    """Return a pass as the page shows it: its heading, and each frame small."""
    shot, found = made.shoots[number], []
    for own, (record, why) in enumerate(zip(shot.records, made.faults[number], strict=True)):
        picture = _small(made, shot, own, frames(number, own))
        where = f"{plane_mm(record) - made.near_mm:.2f} mm"
        found.append({"address": as_jpeg(picture), "name": f"{own + 1}: {where}", "fault": why})
    several = len(made.shoots) > 1
    return {"heading": f"Pass {number + 1}" if several else "The frames", "frames": found}


def _small(made: Try, shot: Shoot, number: int, image: Image) -> Codes:
    """Return a frame small, dimmed where it is less sharp than was asked."""
    size = max(1, round(image.shape[1] / SMALL))
    light = binned(to_light(image, linear=shot.encoding == "float"), size)
    camera = replace(shot.camera(number), bin=shot.bin * size)
    blur = blur_diameter_px(nearest(shot.scene, camera), camera)
    with np.errstate(invalid="ignore"):
        sharp = blur <= made.planned.setting.sharpness.blur_px / camera.bin
    rows, cols = (min(*pair) for pair in zip(sharp.shape, light.shape[:2], strict=True))
    light, sharp = light[:rows, :cols], sharp[:rows, :cols]
    shown = np.where(sharp[..., np.newaxis], light, _DIMMED * light)
    return np.asarray(np.rint(255 * clipped_srgb(shown)), dtype=np.uint8)


def _depths(missed: Sequence[tuple[float, float]]) -> str:
    """Return depths in words; where there are many, how many."""
    if len(missed) > _TOLD:
        near, far = missed[0][0], missed[-1][1]
        return f"in {len(missed)} places from {near:.2f} to {far:.2f} mm"
    places = ", ".join(f"{near:.2f} to {far:.2f}" for near, far in missed)
    return f"at {places} mm from the nearest point"


def _lost(made: Try) -> list[str]:
    """Return why frames do not count, in a sentence; none where all do."""
    every = [why for faults in made.faults for why in faults if why]
    counts = [f"{every.count(why)} {why}" for why in dict.fromkeys(every)]
    return [f"Frames that do not count: {', '.join(counts)}."] if counts else []


def _side(off_mm: float) -> str:
    return "too far" if off_mm > 0 else "too near"


def _by_pass(made: Try) -> str:
    return "; lines part the passes" if len(made.shoots) > 1 else ""
