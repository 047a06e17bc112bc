"""Rigs of the inverse's tests: those of the check cases with a sensor that does not limit them, and special ones."""

from rig import texts

FINE = {"range_mT": "range_mT = 100.0", "bits": "bits = 24", "noise_mT": "noise_mT = 1e-4"}

# Balls, since their field costs little to compile.
FOLDED = (
    """
name = "folded"
[[magnet]]
name = "magnet"
shape = "sphere"
diameter_mm = 6
remanence_mT = 1250
direction = [0, 0, 1]
position_mm = [0, 0, 8]
[[joint]]
name = "travel"
kind = "prismatic"
axis = [1, 0, 0]
range_mm = [-8, 10]
"""
    + texts.SENSOR
    + 'axes = "z"\n'
    + texts.EXACT
)
"""A ball over a sensor of one axis: places ahead and behind read alike, since z is even in the travel."""

KNOB = (
    """
name = "knob"
[[magnet]]
name = "magnet"
shape = "sphere"
diameter_mm = 5
remanence_mT = 1200
direction = [1, 0, 0]
position_mm = [0, 0, 6]
[[joint]]
name = "turn"
kind = "revolute"
axis = [0, 0, 1]
range_deg = [0, 360]
wraps = true
"""
    + texts.SENSOR
    + texts.EXACT
)
"""A full turn over an end-of-shaft sensor."""

IDLE = texts.changed(KNOB, direction="direction = [0, 0, 1]")
"""A knob whose magnet turns about its own axis: no reading tells where it stands."""
