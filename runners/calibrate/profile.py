"""A calibration as a stance file and a light file that every command takes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import Any

from .estimate import Estimate
from .measure import Calibration

#: Measured numbers by the key of the stance, and of the light, that they belong to.
_STANCE_KEYS = {
    "sway_mm": ("sway_across_mm", "sway_down_mm", "sway_toward_mm"),
    "sway_hz": ("sway_hz",),
    "rotation_mrad": ("rotation_mrad",),
    "speed_mm_per_s": ("speed_mm_per_s",),
    "step_mm": ("step_mm",),
    "step_error_mm": ("step_error_mm",),
}
_LIGHT_KEYS = {
    "spread_stops": ("spread_stops",),
    "recycle_s": ("recycle_s",),
    "ambient_spread_stops": ("ambient_spread_stops",),
}
#: Significant digits of every number.
_DIGITS = 4


def stance_text(found: Calibration) -> str:
    """Return the stance as TOML, every measured key with its interval."""
    values = asdict(found.stance)
    values.pop("name")
    values["title"] = f"measured from {found.matched} frames; started from {found.stance.name}"
    return _head(found) + toml_text(values, _STANCE_KEYS, found.measured)


def light_text(found: Calibration) -> str:
    """Return the light as TOML, every measured key with its interval."""
    values = asdict(found.light)
    values.pop("name")
    values["title"] = f"measured from {found.frames} frames; started from {found.light.name}"
    return _head(found) + toml_text(values, _LIGHT_KEYS, found.measured)


def record(found: Calibration) -> dict[str, Any]:
    """Return a calibration as plain data."""
    return {
        "frames": found.frames,
        "matched": found.matched,
        "dark": found.dark,
        "times_from": found.times_from,
        "measured": {name: asdict(estimate) for name, estimate in found.measured.items()},
        "not_measured": dict(found.not_measured),
        "stance": asdict(found.stance),
        "light": asdict(found.light),
    }


def summary_text(found: Calibration) -> str:
    """Return a calibration as text for a terminal."""
    names = max(len(name) for name in found.measured)
    lines = [
        f"{found.matched} of {found.frames} frames followed, {found.dark} without light; "
        f"times from {found.times_from}",
        "",
        f"{'measured'.ljust(names)}  value     95 % interval",
    ]
    lines += [
        f"{name.ljust(names)}  {number_text(estimate.value).ljust(8)}  {interval_text(estimate)}"
        for name, estimate in found.measured.items()
    ]
    lines += ["", "not measured"]
    lines += [f"  {name}: {why}" for name, why in found.not_measured.items()]
    return "\n".join(lines)


def _head(found: Calibration) -> str:
    lines = [
        f"Measured from a burst of {found.frames} frames, {found.matched} of them followed and "
        f"{found.dark} without light.",
        f"Times: {found.times_from}. Intervals: 95 %.",
        "Not measured:",
        *(f"  {name}: {why}" for name, why in found.not_measured.items()),
    ]
    return "".join(f"# {line}\n" for line in lines) + "\n"


def toml_text(
    values: Mapping[str, Any],
    keys: Mapping[str, tuple[str, ...]],
    measured: Mapping[str, Estimate],
) -> str:
    """Return values as TOML, each measured one with its interval.

    Parameters
    ----------
    values : mapping
        Of numbers, texts, lists and tables.
    keys : mapping of str to tuple of str
        Which measured numbers belong to a key.
    measured : mapping of str to Estimate
    """
    plain = {key: value for key, value in values.items() if not isinstance(value, Mapping)}
    lines = list(_lines(plain, keys, measured))
    for key, value in values.items():
        if isinstance(value, Mapping):
            lines += ["", f"[{key}]", *_lines(value, keys, measured)]
    return "\n".join(lines) + "\n"


def _lines(
    values: Mapping[str, Any],
    keys: Mapping[str, tuple[str, ...]],
    measured: Mapping[str, Estimate],
) -> Iterator[str]:
    for key, value in values.items():
        if value is None:  # a key that is left out of the file means just that
            continue
        known = [measured[name] for name in keys.get(key, ()) if name in measured]
        note = f"  # measured: {', '.join(map(interval_text, known))}" if known else ""
        yield f"{key} = {_value(value)}{note}"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return number_text(value)
    if isinstance(value, Mapping):
        inner = ", ".join(f"{key} = {_value(part)}" for key, part in value.items())
        return f"{{ {inner} }}"
    return f"[{', '.join(map(_value, value))}]"


def number_text(value: float) -> str:
    """Return a number with the digits that a file gives it."""
    return repr(float(f"{value:.{_DIGITS}g}"))


def interval_text(estimate: Estimate) -> str:
    """Return the interval of a measured number."""
    return f"{number_text(estimate.low)} to {number_text(estimate.high)}"
