"""The f-number: how far one may stop down before diffraction takes the fine detail."""

from __future__ import annotations

from ....simulator.rig import Rig, stopped_to
from .depth_of_field import in_focus_contrast

#: Marked f-numbers in third stops, as engraved.
THIRD_STOPS = (
    *(2.8, 3.2, 3.5, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0),
    *(20.0, 22.0),
)
#: Engraved f-numbers are rounded; by no more than this share.
_ROUNDED = 0.06
#: Frequency of the fine detail that the plane of focus should show: half the Nyquist frequency.
DETAIL_CY_PER_PX = 0.25
#: Contrast that such detail should keep. Our choice; with small pixels it leads to the f-numbers
#: that are common practice (f/4 to f/8 at 1:1, f/2.8 to f/5.6 at 3:1 to 5:1; no source).
DETAIL_CONTRAST = 0.3


def softest_f_number(rig: Rig) -> float:
    """Return the largest marked f-number at which diffraction still leaves fine detail.

    The larger the f-number the fewer the frames, so this is as far as it pays to stop down. With
    growing magnification the working f-number grows too, and the advice opens up.
    """
    kept = [number for number in THIRD_STOPS if detail_contrast(rig, number) >= DETAIL_CONTRAST]
    return max(kept, default=THIRD_STOPS[0])


def detail_contrast(rig: Rig, f_number: float) -> float:
    """Return the contrast that a lens at an f-number leaves fine detail in focus, 0 to 1."""
    return in_focus_contrast(stopped_to(rig, f_number), DETAIL_CY_PER_PX)


def engraved(f_number: float) -> float:
    """Return the f-number of a lens' scale that is meant by a computed one; else that one."""
    nearest = min(THIRD_STOPS, key=lambda number: abs(number / f_number - 1))
    return nearest if abs(nearest / f_number - 1) < _ROUNDED else f_number
