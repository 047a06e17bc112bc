"""Rig files (TOML): reading, checking, writing a calibration back, and files to start from. No JAX, no NumPy."""

from fluxfix.rigfile.basic import FRAME
from fluxfix.rigfile.joints import Follows, Joint, Prismatic, Revolute
from fluxfix.rigfile.magnets import Block, Cylinder, Magnet, Ring, Segment, Sphere
from fluxfix.rigfile.materials import REFERENCE_C, Magnetic, Material, Span, materials
from fluxfix.rigfile.model import ABSOLUTE_ZERO_C, CalibrationTable, Limits, RigFile, Surroundings, UsedRecording
from fluxfix.rigfile.plates import Plate
from fluxfix.rigfile.reading import parse, read
from fluxfix.rigfile.sensors import Bus, Sensor
from fluxfix.rigfile.template import TEMPLATES, template
from fluxfix.rigfile.tolerance import Spread, Tolerance
from fluxfix.rigfile.writing import with_calibration, write_calibration

__all__ = [
    "ABSOLUTE_ZERO_C",
    "FRAME",
    "REFERENCE_C",
    "TEMPLATES",
    "Block",
    "Bus",
    "CalibrationTable",
    "Cylinder",
    "Follows",
    "Joint",
    "Limits",
    "Magnet",
    "Magnetic",
    "Material",
    "Plate",
    "Prismatic",
    "Revolute",
    "RigFile",
    "Ring",
    "Segment",
    "Sensor",
    "Span",
    "Sphere",
    "Spread",
    "Surroundings",
    "Tolerance",
    "UsedRecording",
    "materials",
    "parse",
    "read",
    "template",
    "with_calibration",
    "write_calibration",
]
