"""What a way of shooting costs: time, frames, flashes, charge and file space."""

from __future__ import annotations

from dataclasses import dataclass

from ..draw.forecast import Forecast
from ..draw.setting import Setting

#: Time between two passes, to breathe and to frame anew, s (our choice).
REFRAME_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What all passes of a way come to, on average.

    Parameters
    ----------
    pass_s, all_s : float
        Time of one pass, and of all with the pauses between them.
    frames : float
        That are shot; people stop late.
    keepers : float
        Of them, that are fit for a merge.
    flashes : float
        That the flash fires; 0 without one.
    charges : float
        The same in flashes at full power.
    megabytes : float
        Raw files of the sensor's own bits, not compressed.
    """

    pass_s: float
    all_s: float
    frames: float
    keepers: float
    flashes: float
    charges: float
    megabytes: float


def cost_of(setting: Setting, found: Forecast) -> Cost:
    """Return what the way of a forecast costs."""
    passes, unit, sensor = found.way.passes, setting.light.flash, setting.rig.sensor
    flashes = found.shot_frames if unit else 0.0
    frame_bytes = sensor.width_px * sensor.height_px * sensor.bits / 8
    return Cost(
        pass_s=found.duration_s,
        all_s=passes * found.duration_s + (passes - 1) * REFRAME_S,
        frames=found.shot_frames,
        keepers=found.kept_frames,
        flashes=flashes,
        charges=flashes * unit.power if unit else 0.0,
        megabytes=found.shot_frames * frame_bytes / 1e6,
    )
