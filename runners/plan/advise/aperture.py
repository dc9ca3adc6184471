"""The f-number: sharpness in focus against the number of frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ....simulator.optics import rig_f_number
from ....simulator.rig import stopped_to
from ..draw.forecast import Way
from ..draw.passes import Passes
from ..draw.setting import Setting
from .depth_of_field import in_focus_contrast
from .search import fewest

#: Marked f-numbers in third stops, as engraved.
THIRD_STOPS = (
    *(2.8, 3.2, 3.5, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0),
    *(20.0, 22.0),
)
#: The f-numbers of the table: full stops.
FULL_STOPS = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
#: Fine detail that the plane of focus should show: half of the finest that the sensor records.
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
        Contrast that the lens leaves to fine detail in focus, 0 to 1.
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


def advised_f_number(setting: Setting) -> float:
    """Return the largest marked f-number at which diffraction still leaves fine detail.

    The larger the f-number the fewer the frames, so this is as far as it pays to stop down. With
    growing magnification the working f-number grows too and the advice opens up.
    """
    kept = [number for number in THIRD_STOPS if _contrast_at(setting, number) >= DETAIL_CONTRAST]
    return max(kept, default=THIRD_STOPS[0])


def aperture_table(
    setting: Setting, drawn: Passes, *, own: Way | None, pass_counts: Sequence[int]
) -> tuple[ApertureRow, ...]:
    """Return what each f-number gives, the setting's own and the advised one among them.

    Parameters
    ----------
    setting : Setting
    drawn : Passes
        Of this setting; hands and light do not depend on the f-number.
    own : Way or None
        What the plan found for the setting's own f-number, from more passes.
    pass_counts : sequence of int
        Numbers of passes that are tried.
    """
    advised = advised_f_number(setting)
    rows = []
    for number in sorted({*FULL_STOPS, setting.rig.lens.f_number, advised}):
        stopped = _stopped(setting, number)
        if number == setting.rig.lens.f_number:
            way = own
        elif stopped is None:
            way = None
        else:
            way = fewest(stopped, drawn, chance=setting.chance, pass_counts=pass_counts)
        rows.append(
            ApertureRow(
                f_number=number,
                working_f_number=rig_f_number(stopped_to(setting.rig, number)),
                detail_contrast=_contrast_at(setting, number),
                depth_of_field_mm=stopped.lane.total_mm if stopped else None,
                passes=way.passes if way else None,
                frames=way.frames if way else None,
                advised=number == advised,
            )
        )
    return tuple(rows)


def _stopped(setting: Setting, number: float) -> Setting | None:
    """Return the setting at an f-number, or None where its lens no longer shows the detail."""
    try:
        return setting.at_f_number(number)
    except ValueError:
        return None


def _contrast_at(setting: Setting, number: float) -> float:
    return in_focus_contrast(stopped_to(setting.rig, number), DETAIL_CY_PER_PX)
