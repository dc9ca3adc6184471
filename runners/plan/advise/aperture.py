"""The f-number: sharpness in focus against the number of frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ....simulator.optics import DepthOfField, rig_f_number
from ....simulator.rig import Rig, stopped_to
from ..draw.rehearsal import Rehearsal
from ..draw.sharpness import Sharpness, lane_of
from ..draw.way import Way
from .depth_of_field import in_focus_contrast
from .search import fewest

#: Marked f-numbers in third stops, as engraved.
THIRD_STOPS = (
    *(2.8, 3.2, 3.5, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0),
    *(20.0, 22.0),
)
#: The f-numbers of the table: full stops.
FULL_STOPS = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
#: Frequency of the fine detail that the plane of focus should show: half the Nyquist frequency.
DETAIL_CY_PER_PX = 0.25
#: Contrast that such detail should keep. Our choice; with small pixels it leads to the f-numbers
#: that are common practice (f/4 to f/8 at 1:1, f/2.8 to f/5.6 at 3:1 to 5:1; no source).
DETAIL_CONTRAST = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class ApertureRow:
    """One f-number of the trade between sharpness and frames.

    Parameters
    ----------
    f_number, working_f_number : float
        As marked, and as it works at this magnification.
    detail_contrast : float
        Contrast that the lens leaves fine detail in focus, 0 to 1.
    depth_of_field_mm : float or None
        Depth that one frame holds; None where the lens does not show the detail asked for.
    passes, frames : int or None
        Of the way with the fewest frames; None where none promises the wanted chance.
    advised : bool
        Whether it is the advised f-number.
    """

    f_number: float
    working_f_number: float
    detail_contrast: float
    depth_of_field_mm: float | None
    passes: int | None
    frames: int | None
    advised: bool = False

    @property
    def total_frames(self) -> int | None:
        """Frames of all passes together."""
        return None if self.passes is None or self.frames is None else self.passes * self.frames


def advised_f_number(rig: Rig) -> float:
    """Return the largest marked f-number at which diffraction still leaves fine detail.

    The larger the f-number the fewer the frames, so this is as far as it pays to stop down. With
    growing magnification the working f-number grows too, and the advice opens up.
    """
    kept = [number for number in THIRD_STOPS if _detail_contrast(rig, number) >= DETAIL_CONTRAST]
    return max(kept, default=THIRD_STOPS[0])


def aperture_table(
    rig: Rig,
    sharpness: Sharpness,
    rehearsal: Rehearsal,
    *,
    chance: float,
    own: Way | None,
    pass_counts: Sequence[int],
) -> tuple[ApertureRow, ...]:
    """Return what each f-number gives, the rig's own and the advised one among them.

    Parameters
    ----------
    rig : Rig
    sharpness : Sharpness
        Wanted of the whole depth.
    rehearsal : Rehearsal
        Of this rig; hands and light do not depend on the f-number.
    chance : float
        Wanted chance.
    own : Way or None
        What the plan found for the rig's own f-number, from more passes.
    pass_counts : sequence of int
        Numbers of passes that are tried.
    """
    advised = advised_f_number(rig)
    rows = []
    for number in sorted({*FULL_STOPS, rig.lens.f_number, advised}):
        stopped = stopped_to(rig, number)
        lane = _lane(stopped, sharpness)
        way = own if number == rig.lens.f_number else None
        if lane is not None and number != rig.lens.f_number:
            way = fewest(rehearsal.with_lane(lane), chance=chance, pass_counts=pass_counts)
        rows.append(
            ApertureRow(
                f_number=number,
                working_f_number=rig_f_number(stopped),
                detail_contrast=_detail_contrast(rig, number),
                depth_of_field_mm=lane.total_mm if lane else None,
                passes=way.passes if way else None,
                frames=way.frames if way else None,
                advised=number == advised,
            )
        )
    return tuple(rows)


def _lane(rig: Rig, sharpness: Sharpness) -> DepthOfField | None:
    """Return the depth that a frame holds, or None where the lens does not show the detail."""
    try:
        return lane_of(rig, sharpness)
    except ValueError:
        return None


def _detail_contrast(rig: Rig, f_number: float) -> float:
    return in_focus_contrast(stopped_to(rig, f_number), DETAIL_CY_PER_PX)
