"""Rigs of the inverse's tests: those of the check cases with a sensor that does not limit them, and special ones."""

from rig import texts

FINE = {"range_mT": "range_mT = 100.0", "bits": "bits = 24", "noise_mT": "noise_mT = 1e-4"}

FOLDED = (
    """
name = "folded"
[[magnet]]
name = "magnet"
shape = "cylinder"
diameter_mm = 6
height_mm = 4
remanence_mT = 1250
position_mm = [0, 0, 8]
[[joint]]
name = "travel"
kind = "prismatic"
axis = [1, 0, 0]
range_mm = [-8, 10]
"""
    + texts.SENSOR
    + 'axes = "yz"\n'
    + texts.EXACT
)
"""A disc over a sensor without its x axis: places ahead and behind read alike, since z is even in the travel."""

KNOB = (
    """
name = "knob"
[[magnet]]
name = "magnet"
shape = "block"
size_mm = [5, 3, 2]
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

IDLE = texts.changed(KNOB).replace('shape = "block"', 'shape = "cylinder"\ndiameter_mm = 6\nheight_mm = 3')
IDLE = IDLE.replace("size_mm = [5, 3, 2]\n", "").replace("direction = [1, 0, 0]\n", "")
"""A knob whose magnet turns about its own axis: no reading tells where it stands."""
