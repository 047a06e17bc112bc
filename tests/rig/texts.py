"""Rigs as text, and small helpers to make more of them."""

from fluxfix import rigfile
from fluxfix.facade import Rig

EXACT = """
[tolerance]
remanence_percent = {sd = 0}
magnet_position_mm = {sd = 0}
magnet_rotation_deg = {sd = 0}
sensor_position_mm = {sd = 0}
sensor_rotation_deg = {sd = 0}
gain_percent = {sd = 0}
cross_axis_percent = {sd = 0}
offset_mT = {sd = 0}
"""

SENSOR = """
[[sensor]]
name = "board"
range_mT = 80.0
bits = 16
noise_mT = 0.03
conversion_us = 25.0
"""

LEVER = (
    """
name = "lever"
[[magnet]]
name = "magnet"
shape = "cylinder"
diameter_mm = 6
height_mm = 4
remanence_mT = 1250
position_mm = [0, 0, 8]
[[joint]]
name = "first"
kind = "revolute"
axis = [1, 0, 0]
origin_mm = [0, 0, 25]
range_deg = [-20, 20]
[[joint]]
name = "second"
kind = "revolute"
axis = [0, 1, 0]
origin_mm = [0, 0, 25]
range_deg = [-20, 20]
"""
    + SENSOR
    + EXACT
)
"""The stick of the check cases JOY: pivot 25 mm above the sensor, lever 17 mm, R = Rx · Ry."""

SLIDE = (
    """
name = "slide"
[[magnet]]
name = "magnet"
shape = "block"
size_mm = [6, 4, 3]
remanence_mT = 1250
direction = [1, 0, 0]
[[joint]]
name = "travel"
kind = "prismatic"
axis = [1, 0, 0]
range_mm = [-8, 8]
margin = 0
"""
    + SENSOR
    + "position_mm = [0, 0, -5.5]\n"
    + EXACT
)
"""The slide-by of the check cases SLIDE: the sensor 4 mm below the lower face."""

TREE = """
name = "tree"
[surroundings]
ambient_mT = [0.02, -0.03, 0.05]
[[joint]]
name = "base"
kind = "revolute"
axis = [0, 0, 1]
origin_mm = [1, 2, 0]
range_deg = [0, 360]
wraps = true
[[joint]]
name = "slide"
kind = "prismatic"
axis = [1, 1, 0]
range_mm = [-3, 3]
[[joint]]
name = "arm"
kind = "revolute"
axis = [0, 1, 0]
origin_mm = [0, 0, 6]
rides = "base"
range_deg = [-30, 30]
[[joint]]
name = "wheel"
kind = "revolute"
axis = [1, 0, 2]
origin_mm = [4, 0, 9]
rides = "arm"
follows = {joint = "arm", ratio = -2.5, offset = 12}
[[magnet]]
name = "bar"
shape = "block"
size_mm = [5, 3, 2]
remanence_mT = 1180
direction = [1, 0.4, -0.2]
position_mm = [4, 0, 10]
rotation_deg = [10, 20, -30]
rides = "wheel"
[[magnet]]
name = "disc"
shape = "cylinder"
diameter_mm = 6
height_mm = 2
remanence_mT = 1250
direction = [0, 0, -1]
position_mm = [-6, 1, 9]
rotation_deg = [0, 70, 15]
rides = "frame"
[[magnet]]
name = "ball"
shape = "sphere"
diameter_mm = 4
remanence_mT = 900
direction = [1, 1, 1]
position_mm = [0, -9, 8]
rides = "arm"
[[sensor]]
name = "board"
position_mm = [0.5, -0.5, -4]
rotation_deg = [5, -8, 40]
element_offset_mm = [[0.1, 0, 0], [0, 0.2, 0.05], [0, 0, -0.1]]
range_mT = 80
bits = 16
noise_mT = [0.03, 0.04, 0.05]
conversion_us = 25
[[sensor]]
name = "probe"
position_mm = [3, 3, -5]
rotation_deg = [0, 0, 90]
rides = "slide"
axes = "xz"
range_mT = 80
bits = 16
noise_mT = 0.03
conversion_us = 25
[tolerance]
offset_mT = {limit = 0.4}
"""
"""Three magnets of three shapes and two sensors on a tree of four joints, one of them geared and one a full turn."""


TURN = """
name = "shaft"
[[magnet]]
name = "magnet"
shape = "sphere"
diameter_mm = 5
remanence_mT = 1200
direction = [1, 0, 0]
position_mm = [0, 0, 8]
[[joint]]
name = "turn"
kind = "revolute"
axis = [0, 0, 1]
range_deg = [0, 360]
wraps = true
"""
"""A ball on a shaft, magnetised across it, and the full turn that it makes."""

SHAFT = (
    TURN
    + """
[[sensor]]
name = "board"
axes = "xy"
range_mT = 100
bits = 24
noise_mT = 1e-4
conversion_us = 20
sequential = true
"""
)
"""A dipole on a shaft: its field turns with it, of one size in x and y."""


def rig(text: str) -> Rig:
    """A rig from its text."""
    return Rig(rigfile.parse(text, source="test.toml"))


def changed(text: str, **lines: str) -> str:
    """A rig's text with lines replaced: each keyword is the key of a line that stands there once."""
    rows = text.splitlines()
    for key, value in lines.items():
        (place,) = (k for k, row in enumerate(rows) if row.split("=")[0].strip() == key)
        rows[place] = value
    return "\n".join(rows) + "\n"
