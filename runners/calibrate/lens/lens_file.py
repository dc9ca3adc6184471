"""A measured lens as a rig file that every command takes, and as text."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from ..profile import interval_text, number_text, toml_text
from .measure import LensCalibration

#: Measured numbers by the key of the rig that they belong to.
_KEYS = {
    "f_number": ("f_number",),
    "magnification": ("magnification",),
    "spherical_um": ("spherical_um",),
    "axial_colour_mm": ("axial_colour_red_mm", "axial_colour_blue_mm"),
    "field_curvature_per_mm": ("field_curvature_per_mm",),
}


def rig_text(found: LensCalibration) -> str:
    """Return the rig as TOML, every measured key with its interval."""
    values = asdict(found.rig)
    values.pop("name")
    told = [
        f"Measured from a stepped stack of {len(found.shots.frames)} frames. Intervals: 95 %.",
        "Known beforehand:",
        *(f"  {name}: {what}" for name, what in found.known.items()),
        "Measured, with no key of its own:",
        *(
            f"  {name}: {number_text(one.value)} ({interval_text(one)})"
            for name, one in found.measured.items()
            if not any(name in names for names in _KEYS.values())
        ),
        "Not measured:",
        *(f"  {name}: {why}" for name, why in found.not_measured.items()),
    ]
    head = "".join(f"# {line}\n" for line in told)
    return f"{head}\n{toml_text(values, _KEYS, found.measured)}"


def lens_record(found: LensCalibration) -> dict[str, Any]:
    """Return a calibration of a lens as plain data."""
    return {
        "frames": len(found.shots.frames),
        "parts": int(found.fit.used.any(axis=1).sum()),
        "known": dict(found.known),
        "measured": {name: asdict(one) for name, one in found.measured.items()},
        "not_measured": dict(found.not_measured),
        "rig": asdict(found.rig),
    }


def lens_summary(found: LensCalibration) -> str:
    """Return a calibration of a lens as text for a terminal."""
    wide = max(len(name) for name in found.measured)
    lines = [
        f"{len(found.shots.frames)} frames, {int(found.fit.used.any(axis=1).sum())} parts of the "
        "picture followed through focus",
        *(f"known: {name} {what}" for name, what in found.known.items()),
        "",
        f"{'measured'.ljust(wide)}  value     95 % interval",
        *(
            f"{name.ljust(wide)}  {number_text(one.value).ljust(8)}  {interval_text(one)}"
            for name, one in found.measured.items()
        ),
        "",
        "not measured",
        *(f"  {name}: {why}" for name, why in found.not_measured.items()),
    ]
    return "\n".join(lines)
