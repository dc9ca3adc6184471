"""Calibration: a person's own hands and flash, measured from a burst."""

from .burst import Burst, read_burst
from .estimate import Estimate
from .measure import Calibration, calibrate
from .track import CalibrationError

__all__ = ["Burst", "Calibration", "CalibrationError", "Estimate", "calibrate", "read_burst"]
