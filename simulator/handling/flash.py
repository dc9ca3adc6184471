"""The flash over a burst: a store drawn down by each flash and refilled in between.

A flash is quenched after a fixed time, so it lets out the fraction P of whatever the store holds:
without refilling, flash n gives (1 - P)^(n - 1) of the first. Store and output are counted as
fractions of a full charge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...ground.types import Doubles
from ..streams import stream
from .cadence import Cadence, interval_s
from .light import FlashUnit, Light

NEUTRAL_K = 5500.0
"""Colour temperature the white balance makes neutral, K."""

CHANNEL_UM = np.array([0.61, 0.54, 0.46])
"""Wavelengths that stand for red, green and blue in the colour of the light, um."""

_SECOND_RADIATION_UM_K = 14387.77
_EMPTY = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Flash:
    """What the light did in one frame.

    Parameters
    ----------
    time_s : float
        When the shutter opened, s after the first frame.
    gain_stops : float
        Output of the flash over its output from a full store, stops; minus infinity when it
        misfired. Without a flash: of the steady light over its nominal strength.
    misfire : bool
    duration_s : float
        How long the flash burnt, s; without a flash the exposure time.
    store_before : float
        Fraction of a full charge just before.
    colour_gain : tuple of three floats
        Gain of red, green and blue from the light's colour; green is 1.
    ambient_gain : float
        Gain of the ambient part.
    """

    time_s: float
    gain_stops: float
    misfire: bool
    duration_s: float
    store_before: float
    colour_gain: tuple[float, float, float]
    ambient_gain: float


def fire(
    light: Light, frames: int, *, seed: int, scene: str, cadence: Cadence | None = None
) -> list[Flash]:
    """Fire a burst and return what the light did in each frame, with the frame times.

    Parameters
    ----------
    light : Light
    frames : int
        Number of frames, >= 0. More frames do not change the earlier ones.
    seed, scene : int, str
        Name the random streams.
    cadence : Cadence, optional
        Another cadence than the light's own.
    """
    cadence = light.cadence if cadence is None else cadence
    unit = light.flash
    time_s, store = 0.0, unit.initial_store if unit else 1.0
    burst = []
    for frame in range(frames):
        if unit and unit.when_not_ready == "wait":
            wait_s = seconds_to_ready(unit, store)
            time_s, store = time_s + wait_s, refilled(unit, store, wait_s)
        burst.append(_one_frame(light, time_s, store, stream(seed, scene, "light", frame)))
        gap_s = interval_s(cadence, frame)
        time_s += gap_s
        if unit:
            drawn = 0.0 if burst[-1].misfire else unit.power * store
            store = refilled(unit, store - drawn, gap_s)
    return burst


def frame_times(
    light: Light, frames: int, *, seed: int, scene: str, cadence: Cadence | None = None
) -> Doubles:
    """Return the time of each frame of a burst, s, with all waiting for the flash."""
    burst = fire(light, frames, seed=seed, scene=scene, cadence=cadence)
    return np.array([flash.time_s for flash in burst])


def light_gains(light: Light, flash: Flash, *, advance_mm: float = 0.0) -> tuple[Doubles, Doubles]:
    """Return the gain of the flash part and of the ambient part, each per colour channel.

    Their sum multiplies the picture in the nominal light; the parts are apart because each has
    its own exposure time and so its own smear.

    Parameters
    ----------
    light : Light
    flash : Flash
        Of the same light.
    advance_mm : float
        The camera's advance in this frame: a flash it carries comes nearer and lights the
        subject by the inverse square of the distance.

    Raises
    ------
    ValueError
        When the advance takes the flash to the subject or past it.
    """
    ambient = np.full(3, light.ambient_share * flash.ambient_gain)
    if light.flash is None or flash.misfire:
        return np.zeros(3), ambient
    near = _nearness(light.flash, advance_mm)
    burst = (1 - light.ambient_share) * 2.0**flash.gain_stops * near
    return burst * np.array(flash.colour_gain), ambient


def quench_s(unit: FlashUnit) -> float:
    """Return how long a flash burns, s: t0 - tau ln(1 - P), at most down to 10 % of its peak.

    The fit to published durations holds for P <= 1/2; the full flash burns out by itself and is
    counted to 10 % of its peak, as ISO 2827 does for the total duration.
    """
    to_a_tenth = unit.duration_decay_s * np.log(10)
    if unit.power == 1:
        return float(to_a_tenth)
    return float(
        min(unit.duration_start_s - unit.duration_decay_s * np.log1p(-unit.power), to_a_tenth)
    )


def pulse_weights(unit: FlashUnit, samples: int) -> Doubles:
    """Return the share of the flash's light in equal parts of its duration; they sum to 1."""
    edges = np.linspace(0, quench_s(unit), samples + 1)
    weights = -np.diff(np.exp(-edges / unit.duration_decay_s))
    return weights / weights.sum()


def ready_level(unit: FlashUnit) -> float:
    """Return the fraction of a full charge at which the ready light comes on."""
    return float(2.0**-unit.ready_deficit_stops)


def refilled(unit: FlashUnit, store: float, seconds: float) -> float:
    """Return the store after some time of refilling, as a fraction of a full charge."""
    if unit.refill == "instant":
        return 1.0
    if unit.refill == "none":
        return store
    if unit.refill == "constant-power":
        return min(1.0, store + seconds * _power_per_s(unit))
    lack = (1 - np.sqrt(store)) * np.exp(-seconds / _charge_s(unit))
    return float((1 - lack) ** 2)


def seconds_to_ready(unit: FlashUnit, store: float) -> float:
    """Return how long the ready light still stays off, s; 0 when it is on.

    Raises
    ------
    ValueError
        When the store is never refilled.
    """
    level = ready_level(unit)
    if store >= level - _EMPTY:
        return 0.0
    if unit.refill == "none":
        raise ValueError(
            "flash with refill 'none' is drawn below its ready light and would wait for ever; "
            "use when_not_ready = 'fire' or another refill"
        )
    if unit.refill == "instant":
        return 0.0
    if unit.refill == "constant-power":
        return (level - store) / _power_per_s(unit)
    return float(_charge_s(unit) * np.log((1 - np.sqrt(store)) / (1 - np.sqrt(level))))


def colour_gain(kelvin: float) -> Doubles:
    """Return the gain of red, green and blue when the light has another colour temperature.

    Ratio of Planck's law at the channels' wavelengths to that at the neutral temperature, green
    kept at 1.
    """
    spectrum = np.expm1(_SECOND_RADIATION_UM_K / (CHANNEL_UM * NEUTRAL_K))
    spectrum /= np.expm1(_SECOND_RADIATION_UM_K / (CHANNEL_UM * kelvin))
    return spectrum / spectrum[1]


def _one_frame(light: Light, time_s: float, store: float, rng: np.random.Generator) -> Flash:
    output, colour, ambient = rng.standard_normal(3)
    ambient_stops = light.ambient_spread_stops * ambient + 0.0  # no minus zero in the records
    unit = light.flash
    if unit is None:
        gain, misfire, duration_s, kelvin = ambient_stops, False, light.exposure_s, NEUTRAL_K
    else:
        misfire = store < unit.misfire_below
        gain = -np.inf if misfire else np.log2(store) + unit.spread_stops * output
        duration_s = 0.0 if misfire else quench_s(unit)
        below = -np.log2(unit.power * max(store, _EMPTY))
        kelvin = NEUTRAL_K + unit.colour_k_per_stop * below + unit.colour_spread_k * colour
    red, green, blue = (float(value) for value in colour_gain(kelvin))
    return Flash(
        time_s=time_s,
        gain_stops=float(gain),
        misfire=misfire,
        duration_s=duration_s,
        store_before=store,
        colour_gain=(red, green, blue),
        ambient_gain=float(2.0**ambient_stops),
    )


def _nearness(unit: FlashUnit, advance_mm: float) -> float:
    if unit.distance_mm is None:
        return 1.0
    if advance_mm >= unit.distance_mm:
        raise ValueError(
            f"light: key 'flash.distance_mm': got {unit.distance_mm:g}, allowed more than the "
            f"camera goes on in the pass, {advance_mm:.4g} mm"
        )
    return (unit.distance_mm / (unit.distance_mm - advance_mm)) ** 2


def _power_per_s(unit: FlashUnit) -> float:
    return ready_level(unit) / float(getattr(unit.recycle_s, unit.battery))


def _charge_s(unit: FlashUnit) -> float:
    """Time constant of the voltage that brings an empty store to its ready light in time."""
    recycle_s = float(getattr(unit.recycle_s, unit.battery))
    return recycle_s / -np.log1p(-np.sqrt(ready_level(unit)))
