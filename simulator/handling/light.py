"""What lights the subject, as frozen, validated values: flash unit, ambient light, cadence."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import Field
from pydantic.dataclasses import dataclass

from ..data import find_data_file, load_toml, validate
from ..rig import STRICT
from .cadence import Cadence

Battery = Literal["nimh", "alkaline", "lithium"]


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Recycle:
    """Seconds from empty to the ready light, by kind of battery.

    Parameters
    ----------
    nimh, alkaline, lithium : float
        With rechargeable nickel, alkaline and lithium cells, s.
    """

    nimh: float = Field(default=2.9, gt=0)
    alkaline: float = Field(default=5.0, gt=0)
    lithium: float = Field(default=5.0, gt=0)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class FlashUnit:
    """A flash at one power setting.

    Parameters
    ----------
    power : float
        Fraction of the stored energy let out by each flash, 0 < power <= 1.
    battery : {"nimh", "alkaline", "lithium"}
        Kind in the flash; it says which time of ``recycle_s`` counts.
    recycle_s : Recycle
        Seconds from empty to the ready light, for each kind of battery.
    refill : {"constant-power", "rc", "none", "instant"}
        How the store fills: energy linear in time; voltage as through a resistor; not at all; at
        once, so that every flash is the same.
    initial_store : float
        Store before the first flash, as a fraction of a full charge.
    ready_deficit_stops : float
        How far below full the store is when the ready light comes on, stops.
    when_not_ready : {"wait", "fire"}
        Hold the shutter until the ready light is on, or fire with what there is.
    misfire_below : float
        Below this fraction of a full charge the tube does not strike.
    spread_stops : float
        Random spread of a flash's output, standard deviation, stops.
    duration_start_s, duration_decay_s : float
        t0 and tau of the quenched duration t0 - tau ln(1 - power), s.
    colour_k_per_stop : float
        Shift of colour temperature per stop below full output, K: positive is bluer.
    colour_spread_k : float
        Random spread of colour temperature, standard deviation, K.
    distance_mm : float or None
        From flash to subject when the camera's advance is zero, for a flash carried by the
        camera; None for a flash that stays where it is.
    """

    power: float = Field(gt=0, le=1)
    battery: Battery = "nimh"
    recycle_s: Recycle = Recycle()
    refill: Literal["constant-power", "rc", "none", "instant"] = "constant-power"
    initial_store: float = Field(default=1.0, gt=0, le=1)
    ready_deficit_stops: float = Field(default=0.65, ge=0.01, le=3)
    when_not_ready: Literal["wait", "fire"] = "wait"
    misfire_below: float = Field(default=0.3, ge=0, lt=1)
    spread_stops: float = Field(default=0.03, ge=0)
    duration_start_s: float = Field(default=17e-6, ge=0)
    duration_decay_s: float = Field(default=1.22e-3, gt=0)
    colour_k_per_stop: float = 0.0
    colour_spread_k: float = Field(default=0.0, ge=0)
    distance_mm: float | None = Field(default=None, gt=0)


@dataclass(frozen=True, slots=True, kw_only=True, config=STRICT)
class Light:
    """All light on the subject in a shoot, and how fast frames are asked for.

    Parameters
    ----------
    name, title : str
        For tables and people; in a file of its own the name is the file's if left out.
    flash : FlashUnit or None
        None is ambient or steady light alone.
    ambient_share : float
        Share of the nominal exposure that comes from light that burns all the time, 0 to 1;
        1 without a flash.
    ambient_spread_stops : float
        Random spread of that light from frame to frame, standard deviation, stops.
    exposure_s : float
        Time the shutter is open, s: how long the ambient light is gathered.
    cadence : Cadence
        How fast frames are asked for.
    """

    name: str
    title: str = ""
    flash: FlashUnit | None = None
    ambient_share: float = Field(default=1.0, ge=0, le=1)
    ambient_spread_stops: float = Field(default=0.0, ge=0)
    exposure_s: float = Field(default=1 / 200, gt=0)
    cadence: Cadence = Cadence()

    def __post_init__(self) -> None:
        if self.flash is None and self.ambient_share != 1:
            raise ValueError(f"ambient_share: got {self.ambient_share}, allowed 1 without a flash")


def load_light(name_or_path: str | Path) -> Light:
    """Load a light by the name of a shipped one, or from a TOML file.

    Parameters
    ----------
    name_or_path : str or Path
        Name of a shipped light (``stacktruth list``), or the path of a .toml file.

    Raises
    ------
    simulator.data.DataFileError
        Unknown name, broken TOML, or a key or value that is not allowed.

    Examples
    --------
    >>> load_light("flash-sixteenth").flash.power
    0.0625
    """
    path = find_data_file(name_or_path, kind="light")
    return validate(Light, {"name": path.stem, **load_toml(path)}, where=path)
