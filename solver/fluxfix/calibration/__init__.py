"""Calibration: from a bench recording to the build of one unit."""

from fluxfix.calibration.findings import CalibrationReport
from fluxfix.calibration.run import Calibration, calibrate

__all__ = ["Calibration", "CalibrationReport", "calibrate"]
