"""Calibration: a person's own hands and flash, measured from a burst."""

from runners.calibrate.burst import Burst, read_burst
from runners.calibrate.estimate import Estimate
from runners.calibrate.measure import Calibration, calibrate
from runners.calibrate.track import CalibrationError

__all__ = ["Burst", "Calibration", "CalibrationError", "Estimate", "calibrate", "read_burst"]
