"""What happened in each frame, as a flat table (frames.csv)."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from ..shooting.motion import MotionSummary
from ..shooting.shoot import FrameRecord


def records_csv(records: tuple[FrameRecord, ...], motions: tuple[MotionSummary, ...]) -> str:
    """Return the records as a flat table; numbers are written so that they read back exactly."""
    import pandas as pd  # noqa: PLC0415 - slow to load, and few commands need it

    parts = sorted({name for record in records for name in record.subject.parts_mm})
    rows = [
        record_row(record, parts)
        | {f"view_{name}": value for name, value in asdict(motion).items()}
        for record, motion in zip(records, motions, strict=True)
    ]
    return pd.DataFrame(rows).to_csv(index=False, lineterminator="\n")


def record_row(record: FrameRecord, parts: list[str]) -> dict[str, Any]:
    """Return one row; each of the subject's parts that twitch adds three columns."""
    pose, subject = record.pose, record.subject
    row: dict[str, Any] = {"frame": record.frame, "time_s": record.time_s}
    for key in ("x_mm", "y_mm", "z_mm", "pitch_mrad", "yaw_mrad", "roll_mrad"):
        row[key] = getattr(pose, key)
    row |= {"refocus_mm": record.refocus_mm, "focus_z_mm": record.focus_z_mm}
    row |= {"gain_stops": record.gain_stops}
    row |= dict(zip(("gain_red", "gain_green", "gain_blue"), record.gains, strict=True))
    row |= {"misfire": record.misfire, "exposure_s": record.exposure_s}
    row |= {"smear_px": record.smear_px}
    for axis in ("x_mm", "y_mm", "z_mm"):
        row[f"subject_{axis}"] = getattr(subject, axis)
    for name in parts:
        moved = subject.parts_mm.get(name, (0.0, 0.0, 0.0))
        row |= {f"part_{name}_{axis}_mm": at for axis, at in zip("xyz", moved, strict=True)}
    return row | {"subject_present": subject.present, "usable": record.usable}
