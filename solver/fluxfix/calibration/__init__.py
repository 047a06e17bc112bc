"""Calibration: from a bench recording to the build of one unit."""

from fluxfix.calibration.run import Calibration, CalibrationReport, calibrate

__all__ = ["Calibration", "CalibrationReport", "calibrate"]
