"""What numbers in data files can be: a physical range for each, with the reason, in one place.

A number's key says its unit (``sway_hz``), so the range follows from the last part of the key, or
of the table that it stands in (``recycle_s.nimh``). Zero is allowed where the field allows it. The
ranges are wide: they keep out what no lens, hand or sensor has, and what arithmetic cannot hold.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Range:
    """The sizes that a number may have, whatever its sign.

    Parameters
    ----------
    low, high : float
        Smallest other than zero, and largest.
    unit : str
    why : str
        What of the world has sizes like that.
    """

    low: float
    high: float
    unit: str
    why: str

    def __str__(self) -> str:
        return f"{self.low:g} to {self.high:g}{self.unit and ' '}{self.unit} ({self.why})"


#: By a pattern that the whole key must match; the first that does, holds.
_BY_KEY = {
    r"focal_length_mm": Range(0.5, 2_000, "mm", "lenses from objectives to telephotos"),
    r"f_number": Range(0.3, 1_000, "", "lenses, and pinholes"),
    r"magnification": Range(0.001, 500, "", "landscapes to objectives"),
    r"pupil_ratio": Range(0.02, 50, "", "telephoto and retrofocus lenses"),
    r"wavelengths_um": Range(0.2, 2, "um", "light that a silicon sensor sees"),
    r"pitch_um": Range(0.3, 100, "um", "pixels of sensors"),
    r"width_px|height_px": Range(1, 100_000, "px", "sensors, and stitched scans"),
    r"full_well_e": Range(50, 1e7, "electrons", "pixels of sensors"),
    r"(.*_)?seeds?|arrangement": Range(1, 2**64, "", "seeds of 64 bits"),
    r"frames|buffer_frames|leaves_after_frame": Range(1, 5_000, "", "frames of a pass"),
    r"step_mm|speed_mm_per_s": Range(1e-5, 1_000, "mm", "rails, focus motors and hands"),
    r"iso": Range(1, 1e7, "", "sensitivities of cameras"),
    r"crop": Range(0, 100_000, "px", "sensors"),
    r"bin": Range(1, 1_000, "", "real pixels merged into one"),
    r"(natural|push|gust|sway|pulse|tremor)_hz": Range(
        1e-3, 60, "Hz", "hands, stems and wind: a hand trembles at 8 to 12 Hz"
    ),
    r"(recycle|exposure)_s": Range(1e-7, 3_600, "s", "flashes that recycle, and exposures"),
    r"duration_(start|decay)_s": Range(1e-7, 0.05, "s", "flash pulses: some ms at full power"),
    r"toward": Range(1e-6, 1e4, "", "directions"),
}
#: By the unit at the end of a key.
_BY_UNIT = {
    "per_mm": Range(1e-9, 100, "per mm", "curvatures"),
    "per_s": Range(1e-3, 1e4, "per s", "shutters and hands"),
    "per_stop": Range(1e-6, 1e5, "per stop", "flash units"),
    "mm": Range(1e-6, 1_000, "mm", "a subject before a close-up lens: a nanometre to a metre"),
    "um": Range(1e-6, 1e5, "um", "detail of a subject, and blur"),
    "s": Range(1e-7, 1e5, "s", "flash pulses to a night of exposures"),
    "hz": Range(1e-3, 1_000, "Hz", "what moves while a camera looks"),
    "mrad": Range(1e-6, 1_600, "mrad", "turns of a camera: a quarter turn is 1571"),
    "deg": Range(1e-6, 3_600, "degrees", "angles"),
    "stops": Range(1e-6, 30, "stops", "more than any sensor can tell apart"),
    "k": Range(1e-3, 1e5, "K", "colour temperatures"),
    "e": Range(1e-6, 1e7, "electrons", "pixels of sensors"),
    "dn": Range(1e-6, 65_535, "levels", "converters of up to 16 bits"),
    "px": Range(1e-6, 1e5, "px", "sensors"),
    "mb": Range(1, 1e8, "MB", "memory and disks"),
}
_ANY = Range(1e-9, 1e6, "", "shares, factors and counts")
# Free for whoever reads them: a method's own parameters.
_NOT_OURS = ("parameters",)


def out_of_range(values: Any) -> tuple[str, object, Range] | None:
    """Return the first number of a data file that is out of its range: key, value, range.

    Parameters
    ----------
    values : dict, list or plain value
        As read from a file.
    """
    for key, number, allowed in _numbers(values, (), _ANY):
        size = abs(number)
        if not (size == 0 or allowed.low <= size <= allowed.high):
            return key, number, allowed
    return None


def _numbers(
    values: Any, place: tuple[str, ...], above: Range
) -> Iterator[tuple[str, int | float, Range]]:
    if isinstance(values, Mapping):
        for key, value in values.items():
            if key not in _NOT_OURS:
                yield from _numbers(value, (*place, str(key)), _range_of(str(key)) or above)
    elif isinstance(values, list | tuple):
        for index, value in enumerate(values):
            yield from _numbers(value, (*place, str(index)), above)
    # A switch counts as 1 where its key has a unit, for there it is taken for a number.
    elif isinstance(values, int | float) and not (isinstance(values, bool) and above is _ANY):
        yield ".".join(place), values, above


def _range_of(key: str) -> Range | None:
    for pattern, allowed in _BY_KEY.items():
        if re.fullmatch(pattern, key):
            return allowed
    for unit, allowed in _BY_UNIT.items():
        if key == unit or key.endswith(f"_{unit}"):
            return allowed
    return None
