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
    texts.changed(texts.TURN.replace('"shaft"', '"knob"'), position_mm="position_mm = [0, 0, 6]")
    + texts.SENSOR
    + texts.EXACT
)
"""A full turn over an end-of-shaft sensor."""

IDLE = texts.changed(KNOB, direction="direction = [0, 0, 1]")
"""A knob whose magnet turns about its own axis: no reading tells where it stands."""

SPACE = (
    texts.LEVER.replace('name = "lever"', 'name = "space"')
    + """
[[joint]]
name = "push"
kind = "prismatic"
axis = [0, 0, 1]
range_mm = [-1, 1]
rides = "second"
"""
)
"""Two tilts and a push along the lever: three joints that three values just determine."""

GEARED = (
    """
name = "geared"
[[magnet]]
name = "magnet"
shape = "sphere"
diameter_mm = 5
remanence_mT = 1200
direction = [1, 0, 0.2]
position_mm = [0, 0, 6]
rides = "lift"
[[magnet]]
name = "pinion"
shape = "sphere"
diameter_mm = 4
remanence_mT = 1200
direction = [1, 0, 0]
position_mm = [14, 0, 6]
rides = "wheel"
[[joint]]
name = "turn"
kind = "revolute"
axis = [0, 0, 1]
range_deg = [0, 360]
wraps = true
[[joint]]
name = "lift"
kind = "prismatic"
axis = [0, 0, 1]
range_mm = [0, 2]
[[joint]]
name = "wheel"
kind = "revolute"
axis = [0, 0, 1]
origin_mm = [14, 0, 0]
rides = "frame"
follows = {joint = "turn", ratio = -3, offset = 20}
"""
    + texts.SENSOR
    + texts.SENSOR.replace('"board"', '"side"')
    + "position_mm = [14, 0, 0]\n"
    + texts.EXACT
)
"""A knob that turns fully and lifts, and turns a pinion three times as fast, over a sensor each."""

FOUR = (
    """
name = "four"
[[magnet]]
name = "magnet"
shape = "sphere"
diameter_mm = 6
remanence_mT = 1250
direction = [0, 0, 1]
position_mm = [0, 0, 8]
rides = "push"
[[magnet]]
name = "tab"
shape = "sphere"
diameter_mm = 5
remanence_mT = 1250
direction = [0, 0, 1]
position_mm = [40, 0, 7]
rides = "lever"
[[joint]]
name = "first"
kind = "revolute"
axis = [1, 0, 0]
origin_mm = [0, 0, 25]
range_deg = [-5, 5]
[[joint]]
name = "second"
kind = "revolute"
axis = [0, 1, 0]
origin_mm = [0, 0, 25]
range_deg = [-5, 5]
[[joint]]
name = "push"
kind = "prismatic"
axis = [0, 0, 1]
range_mm = [-0.5, 0.5]
[[joint]]
name = "lever"
kind = "revolute"
axis = [1, 0, 0]
origin_mm = [40, 0, 25]
rides = "frame"
range_deg = [-5, 5]
"""
    + texts.SENSOR
    + texts.SENSOR.replace('"board"', '"side"')
    + "position_mm = [40, 0, 0]\n"
    + texts.EXACT
)
"""A stick of two tilts and a push, and a lever beside it: four joints, and a sensor under each."""
