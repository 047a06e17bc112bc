"""Reading a rig file: what is in it, what is filled in, and that reading stays quick."""

import hashlib
import math
import subprocess
import sys

import pytest

from fluxfix import errors, rigfile, shipped

SHIPPED = (
    "boom-stick",
    "boom-stick-press",
    "boom-stick-twist",
    "measured-scan",
    "plane-pad",
    "rate-slider",
    "space-pad",
)

EVERY_KEY = """
schema = 1
name = "every-key"
[[joint]]
name = "lift"
kind = "prismatic"
axis = [0, 0, 2]
range_mm = [0, 40]
margin = 0
reference_sd_mm = 0.01
[[joint]]
name = "swivel"
kind = "revolute"
axis = [0, 0, 1]
origin_mm = [1, 2, 3]
range_deg = [-180, 180]
wraps = true
reference_sd_deg = 0.1
[[joint]]
name = "wheel"
kind = "revolute"
axis = [0, 1, 0]
rides = "lift"
follows = {joint = "swivel", ratio = -2, offset = 4}
[[magnet]]
name = "ring"
shape = "ring"
inner_diameter_mm = 4
outer_diameter_mm = 8
height_mm = 3
material = "ferrite"
recoil_permeability = 1.1
rides = "swivel"
[[magnet]]
name = "segment"
shape = "segment"
inner_diameter_mm = 4
outer_diameter_mm = 8
height_mm = 3
from_deg = -30
to_deg = 330
remanence_mT = 400
direction = [1, 0, 0]
rotation_deg = [0, 0, 90]
[[magnet]]
name = "ball"
shape = "sphere"
diameter_mm = 5
remanence_mT = 1000
direction = [0, 1, 0]
rides = "frame"
[[sensor]]
name = "left"
axes = "xz"
range_mT = 50
bits = 24
noise_mT = [0.01, 0]
conversion_us = 10
sequential = true
element_offset_mm = [[0, 0, 0.1], [0.2, 0, 0]]
temperature_coefficient_per_K = -1e-3
bus = {kind = "i2c", clock_kHz = 400, bits_per_axis = 16, overhead_bits = 0}
[[sensor]]
name = "right"
rides = "lift"
range_mT = 50
bits = 1
noise_mT = 0
conversion_us = 10
element_offset_mm = [0, 0, 0.1]
[surroundings]
temperature_C = [-40, 85]
ambient_mT = [0, 0.05, 0]
stray_mT = 0
[tolerance]
offset_mT = {limit = 0.6}
gain_percent = {sd = 0}
[limits]
position_sd = {lift = 0.1}
"""


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_rigs_load(name):
    """Every shipped rig is valid, and knows its text, its hash and where it came from."""
    path = shipped.path(f"rigs/{name}.toml")

    rig = rigfile.read(path)

    assert rig.name == name
    assert rig.text == path.read_text(encoding="utf-8")
    assert rig.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert rig.source == str(path)


def test_every_key_is_read():
    """Each key of the format comes back with its value, whole numbers as floats where a number is meant."""
    rig = rigfile.parse(EVERY_KEY)
    lift, swivel, wheel = rig.joint
    ring, segment, ball = rig.magnet
    left, right = rig.sensor

    assert (lift.range, lift.unit, lift.margin, lift.reference_sd, lift.wraps) == ((0.0, 40.0), "mm", 0.0, 0.01, False)
    assert (swivel.range, swivel.unit, swivel.wraps, swivel.reference_sd) == ((-180.0, 180.0), "deg", True, 0.1)
    assert swivel.origin_mm == (1.0, 2.0, 3.0)
    assert (wheel.follows.joint, wheel.follows.ratio, wheel.follows.offset) == ("swivel", -2.0, 4.0)
    assert (wheel.range, wheel.reference_sd) == (None, None)
    assert [joint.name for joint in rig.solved_joints] == ["lift", "swivel"]
    assert (ring.shape, ring.material, ring.remanence_mT, ring.recoil_permeability) == ("ring", "ferrite", None, 1.1)
    assert (ring.inner_diameter_mm, ring.outer_diameter_mm, ring.height_mm) == (4.0, 8.0, 3.0)
    assert (segment.from_deg, segment.to_deg, segment.rotation_deg) == (-30.0, 330.0, (0.0, 0.0, 90.0))
    assert (ball.diameter_mm, ball.direction) == (5.0, (0.0, 1.0, 0.0))
    assert (left.axes, left.noise_per_axis_mT(left.ranges_mT[0]), left.sequential) == ("xz", (0.01, 0.0), True)
    assert left.element_offset_per_axis_mm == ((0.0, 0.0, 0.1), (0.2, 0.0, 0.0))
    assert right.element_offset_per_axis_mm == ((0.0, 0.0, 0.1),) * 3
    assert (left.bus.kind, left.bus.clock_kHz, left.bus.bits_per_axis, left.bus.overhead_bits) == ("i2c", 400.0, 16, 0)
    assert rig.surroundings.temperature_C == (-40.0, 85.0)
    assert (rig.surroundings.ambient_mT, rig.surroundings.stray_mT) == ((0.0, 0.05, 0.0), 0.0)
    assert rig.limits.position_sd == {"lift": 0.1}


def test_what_rides_on_what():
    """A plain list of joints is a chain from the frame; magnets ride on its end, sensors on the frame."""
    rig = rigfile.parse(EVERY_KEY)

    assert [joint.rides for joint in rig.joint] == ["frame", "lift", "lift"]
    assert [magnet.rides for magnet in rig.magnet] == ["swivel", "wheel", "frame"]
    assert [sensor.rides for sensor in rig.sensor] == ["frame", "lift"]


def test_defaults_of_the_tolerances():
    """Keys left out have the defaults of the format, and are named as such."""
    tolerance = rigfile.parse(EVERY_KEY).tolerance

    assert tolerance.defaults_used == (
        "remanence_percent",
        "magnet_position_mm",
        "magnet_rotation_deg",
        "sensor_position_mm",
        "sensor_rotation_deg",
        "cross_axis_percent",
    )
    assert (tolerance.remanence_percent.sd, tolerance.cross_axis_percent.sd) == (5.0, 0.5)
    assert (tolerance.magnet_position_mm.sd, tolerance.sensor_rotation_deg.sd) == (0.2, 1.5)
    assert tolerance.gain_percent.sd == 0.0
    assert rigfile.Tolerance().gain_percent.sd == 2.0
    assert rigfile.Tolerance().offset_mT.sd == 0.5


def test_sd_of_a_limit():
    """A uniform distribution within ± a has the standard deviation a/√3 (GUM, JCGM 100:2008, 4.3.7)."""
    offset = rigfile.parse(EVERY_KEY).tolerance.offset_mT

    assert offset.kind == "limit"
    assert math.isclose(offset.sd, 0.346410161513775, rel_tol=1e-14)


def test_windows_text_is_read(tmp_path):
    """A byte-order mark and Windows line ends, which editors add, change nothing but the hash."""
    plain = shipped.path("rigs/boom-stick.toml").read_bytes()
    path = tmp_path / "rig.toml"
    path.write_bytes(b"\xef\xbb\xbf" + plain.replace(b"\n", b"\r\n"))

    rig = rigfile.read(path)

    assert rig.magnet == rigfile.parse(plain.decode()).magnet
    assert rig.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_rig_cannot_be_changed():
    """A rig is a value: setting one of its keys raises."""
    rig = rigfile.parse(EVERY_KEY)

    with pytest.raises(ValueError, match="frozen"):
        rig.name = "other"


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("zeros.toml", b"name\0", "binary file"),
        ("latin.toml", b'name = "a"\n# \xb0C\n', "line 2 is not UTF-8"),
        ("large.toml", b"#" * (16 * 2**20 + 1), "too large for a rig file"),
    ],
)
def test_files_that_are_no_rig(tmp_path, name, content, words):
    """A binary, wrongly encoded or huge file is refused by name."""
    path = tmp_path / name
    path.write_bytes(content)

    with pytest.raises(errors.RigFileError, match=words) as caught:
        rigfile.read(path)

    assert str(caught.value).startswith(str(path))


def test_files_that_cannot_be_opened(tmp_path):
    """A missing file and a folder are another kind of error than wrong content."""
    with pytest.raises(errors.InputFileError, match="there is no such file"):
        rigfile.read(tmp_path / "missing.toml")
    with pytest.raises(errors.InputFileError, match="is a folder"):
        rigfile.read(tmp_path)


def test_reading_loads_no_heavy_package():
    """In a fresh process, reading a rig loads neither JAX nor NumPy, Arrow or tomlkit: mistakes are told quickly."""
    code = (
        "import sys; from fluxfix import rigfile, shipped; rigfile.read(shipped.path('rigs/boom-stick.toml'));"
        "print([m for m in ('jax', 'numpy', 'pyarrow', 'tomlkit', 'scipy') if m in sys.modules])"
    )

    seen = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout

    assert seen.strip() == "[]"
