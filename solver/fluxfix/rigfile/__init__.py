"""Rig files (TOML): reading, checking, writing a calibration back, and files to start from. No JAX, no NumPy."""

from fluxfix.rigfile.basic import FRAME
from fluxfix.rigfile.joints import Follows, Joint, Prismatic, Revolute
from fluxfix.rigfile.magnets import Block, Cylinder, Magnet, Ring, Segment, Sphere
from fluxfix.rigfile.model import CalibrationTable, Limits, RigFile, Surroundings, UsedRecording
from fluxfix.rigfile.reading import parse, read
from fluxfix.rigfile.sensors import Bus, Sensor
from fluxfix.rigfile.template import TEMPLATES, template
from fluxfix.rigfile.tolerance import Spread, Tolerance
from fluxfix.rigfile.writing import with_calibration, write_calibration

__all__ = [
    "FRAME",
    "TEMPLATES",
    "Block",
    "Bus",
    "CalibrationTable",
    "Cylinder",
    "Follows",
    "Joint",
    "Limits",
    "Magnet",
    "Prismatic",
    "Revolute",
    "RigFile",
    "Ring",
    "Segment",
    "Sensor",
    "Sphere",
    "Spread",
    "Surroundings",
    "Tolerance",
    "UsedRecording",
    "parse",
    "read",
    "template",
    "with_calibration",
    "write_calibration",
]
