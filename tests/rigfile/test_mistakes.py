"""Mistakes in a rig file: each one clear sentence that names the table, the key, what was got and what is allowed."""

import pytest

from fluxfix import errors, rigfile, shipped

MOST_LINES = 9  # with the line that a command adds, ten: the limit for any failure
MOST_CHARACTERS = 400  # of one line: a value of the user's is cut, a list of allowed keys is not

FOLLOWS = ("range_deg = [-18, 18]\nreference_sd_deg = 0.02", "follows = {joint = %s}")
CALIBRATION = """[calibration]
tool_version = "0.1.0"
recordings = [{name = "a.csv", sha256 = "SHA"}]
parameters = ["magnet.stick-magnet.remanence_mT", "sensor.board.gain.x"]
values = [1200, 0.01]
covariance = [1, 0, 1]
[tolerance]""".replace("SHA", "0" * 64)

HOT = """[surroundings]
temperature_C = [0, 1000]
[[magnet]]
name = "hot"
shape = "sphere"
diameter_mm = 3
direction = [1, 0, 0]
material = "ndfeb"
[tolerance]"""

MISTAKES = {
    "syntax": ("= 6.0", "= 6,0", ["line 7", "no valid TOML"]),
    "key twice": ("bits = 16", "bits = 16\nbits = 3", ["line 18", "overwrite"]),
    "open string": ('"cylinder"', '"cylinder', ["line 6"]),
    "unknown key": (
        "diameter_mm",
        "diametre_mm",
        ["[[magnet]] stick-magnet", '"diametre_mm"', 'did you mean "diameter_mm"?'],
    ),
    "unknown key, none near": (
        "bits = 16",
        "bits = 16\ncolour = 1",
        ["[[sensor]] board", '"colour"', "allowed are name, pos"],
    ),
    "unknown table": ("[[magnet]]", "[[magnets]]", ['"magnets"', 'did you mean "magnet"?']),
    "unit m": ("diameter_mm", "diameter_m", ["lengths are in mm", '"diameter_mm"']),
    "unit cm": ("height_mm", "height_cm", ["lengths are in mm", '"height_mm"']),
    "unit T": ("remanence_mT", "remanence_T", ["flux densities are in mT", '"remanence_mT"']),
    "unit ms": ("conversion_us", "conversion_ms", ["in us", '"conversion_us"']),
    "unit rad": ("range_deg", "range_rad", ["angles are in deg", '"range_deg"']),
    "range of the other kind": ("range_deg", "range_mm", ["[[joint]] tilt-x", '"range_deg"']),
    "bare tolerance": (
        "{sd = 1.5}",
        "1.5",
        ["[tolerance]: gain_percent: got 1.5, needs {sd = 1.5}", "or {limit = 1.5}"],
    ),
    "tolerance with another word": ("{sd = 1.5}", "{std = 1.5}", ["got {std = 1.5}", "{sd = …} or {limit = …}"]),
    "tolerance with both": ("{sd = 1.5}", "{sd = 1.5, limit = 3}", ["got {sd = 1.5, limit = 3}"]),
    "negative tolerance": ("{sd = 1.5}", "{sd = -1.5}", ["gain_percent", "at least 0"]),
    "tolerance nan": ("{sd = 1.5}", "{sd = nan}", ["gain_percent", "finite"]),
    "tolerance true": ("{sd = 1.5}", "{sd = true}", ["gain_percent", "got {sd = true}"]),
    "zero axis": ("axis = [1, 0, 0]", "axis = [0, 0, 0.0]", ["[[joint]] tilt-x: axis: got [0, 0, 0.0]", "not all 0"]),
    "short axis": ("axis = [1, 0, 0]", "axis = [1, 0]", ["axis: got [1, 0]", "3 finite numbers"]),
    "zero direction": ("direction = [0, 0, 1]", "direction = [0, 0, 0]", ["direction: got [0, 0, 0]", "not all 0"]),
    "empty range": ("range_deg = [-18, 18]", "range_deg = [18, 18]", ["range_deg: got [18, 18]", "lower < upper"]),
    "reversed range": ("range_deg = [-18, 18]", "range_deg = [18, -18]", ["range_deg: got [18, -18]", "lower < upper"]),
    "nan": ("diameter_mm = 6.0", "diameter_mm = nan", ["diameter_mm: got nan"]),
    "inf": ("position_mm = [0, 0, -11.5]", "position_mm = [0, inf, 0]", ["position_mm: got [0, inf, 0]", "finite"]),
    "true is no number": ("range_mT = 80.0", "range_mT = true", ["range_mT: got true", "a number above 0"]),
    "text is no number": ("range_mT = 80.0", 'range_mT = "80"', ['range_mT: got "80"', "a number above 0"]),
    "date is no number": ("range_mT = 80.0", "range_mT = 2024-02-30", ["line 16"]),
    "number too long": (
        "range_mT = 80.0",
        "range_mT = " + "9" * 400,
        ["range_mT: got a whole number of more than 30 digits"],
    ),
    "number endless": ("range_mT = 80.0", "range_mT = " + "9" * 5000, ["a number is too long"]),
    "nested without end": ("range_mT = 80.0", "range_mT = " + "[" * 5000, ["nested too deeply"]),
    "no size": ("height_mm = 3.0", "height_mm = 0", ["height_mm: got 0", "above 0"]),
    "no strength": ("remanence_mT = 1280.0", "", ["[[magnet]] stick-magnet", "remanence_mT or material"]),
    "range of strength out of order": (
        "= 1280.0",
        "= {min = 1300, typical = 1280, max = 1320}",
        ["remanence_mT: got {min = 1300, typical", "in rising order"],
    ),
    "range of strength without typical": (
        "= 1280.0",
        "= {min = 1200, max = 1320}",
        ["remanence_mT: got {min = 1200, max = 1320}, needs {min = …, typical = …, max = …} in mT"],
    ),
    "unknown material": (
        "remanence_mT = 1280.0",
        'material = "ferite"',
        ["[[magnet]] stick-magnet: material", 'needs one of "ndfeb"', 'did you mean "ferrite"?'],
    ),
    "coefficient beyond all strength": (
        "[tolerance]",
        HOT,
        ["[[magnet]] hot: at 1000 °C", "-0.0011 per K leaves no remanence"],
    ),
    "permeability of a plate": (
        "[tolerance]",
        "[[plate]]\nnormal = [0, 0, 1]\npermeability = 0.5\n[tolerance]",
        ["[[plate]] number 1: permeability: got 0.5", "at least 1"],
    ),
    "plate without normal": (
        "[tolerance]",
        '[[plate]]\nname = "wall"\n[tolerance]',
        ["[[plate]] wall: normal is missing", "3 finite numbers"],
    ),
    "negative strength": ("= 1280.0", "= -1280.0", ["remanence_mT: got -1280.0", "reverse direction"]),
    "missing key": ("noise_mT = 0.03", "", ["[[sensor]] board: noise_mT is missing"]),
    "noise for two of three axes": ("= 0.03 ", "= [0.03, 0.03] ", ["noise_mT: got 2", '"xyz"']),
    "ranges out of order": ("range_mT = 80.0", "range_mT = [80, 40]", ["range_mT: got [80, 40]", "the finest first"]),
    "no range": ("range_mT = 80.0", "range_mT = []", ["range_mT: got []", "or a list of such"]),
    "noise of another number of ranges": (
        "noise_mT = 0.03",
        "noise_mT = [[0.03], [0.05]]",
        ["noise_mT: got 2 lists, needs one for each range, of which there is 1"],
    ),
    "noise of a range for two of three axes": ("= 0.03 ", "= [[0.03, 0.03]] ", ["noise_mT: got 2", '"xyz"']),
    "depth above the package": ("bits = 16", "bits = 16\nelement_depth_mm = -0.1", ["element_depth_mm: got -0.1", "0"]),
    "bits not whole": ("bits = 16", "bits = 16.0", ["bits: got 16.0", "whole number from 1 to 24"]),
    "bits too many": ("bits = 16", "bits = 25", ["bits: got 25", "from 1 to 24"]),
    "axes out of order": ("bits = 16", 'bits = 16\naxes = "zx"', ['axes: got "zx"', '"xz"']),
    "no shape": ('shape = "cylinder"', "", ["[[magnet]] stick-magnet: shape is missing", '"segment"']),
    "wrong shape": ('"cylinder"', '"cilinder"', ['shape: got "cilinder"', '"block"', 'did you mean "cylinder"?']),
    "wrong kind": ('"revolute"', '"hinge"', ['kind: got "hinge"', '"prismatic"']),
    "name with blanks": ('"board"', '"Board 1"', ['name: got "Board 1"', "lower-case"]),
    "no name": ('name = "board"', "", ["[[sensor]] number 1: name is missing"]),
    "joint called frame": ('"tilt-x"', '"frame"', ['name: got "frame"', 'not "frame"']),
    "duplicate names": ('"tilt-y"', '"tilt-x"', ["[[joint]] number 2", "a second time"]),
    "unknown carrier": (
        "bits = 16",
        'bits = 16\nrides = "tilt-z"',
        ['[[sensor]] board: rides: got "tilt-z"', '"frame", "tilt-x"'],
    ),
    "circle": ("axis = [1, 0, 0]", 'axis = [1, 0, 0]\nrides = "tilt-y"', ["circle (tilt-x on tilt-y on tilt-x)"]),
    "gear with a range": (
        "axis = [1, 0, 0]",
        'axis = [1, 0, 0]\nfollows = {joint = "tilt-y", ratio = 2}',
        ["range_deg", "follows"],
    ),
    "gear without ratio": (FOLLOWS[0], FOLLOWS[1] % '"tilt-y"', ["follows: ratio is missing"]),
    "gear of ratio 0": (FOLLOWS[0], FOLLOWS[1] % '"tilt-y", ratio = 0', ["follows: ratio: got 0", "other than 0"]),
    "gear of nothing": (FOLLOWS[0], FOLLOWS[1] % '"tilt-z", ratio = 1', ['"tilt-z"', 'needs one of "tilt-y"']),
    "gear of itself": (FOLLOWS[0], FOLLOWS[1] % '"tilt-x", ratio = 1', ["which follows another joint itself"]),
    "gear that does not come round": (
        "range_deg = [-18, 18]\nreference_sd_deg = 0.02\n\n[[joint]]",
        (
            'range_deg = [0, 360]\nwraps = true\n[[joint]]\nname = "wheel"\nkind = "revolute"\naxis = [0, 0, 1]\n'
            'follows = {joint = "tilt-x", ratio = 0.4}\n[[joint]]'
        ),
        ["[[joint]] wheel: follows: got a revolute joint with ratio = 0.4", '"tilt-x", which wraps', "a whole number"],
    ),
    "turn that is not full": ("axis = [1, 0, 0]", "axis = [1, 0, 0]\nwraps = true", ["wraps", "36.0 deg", "[0, 360]"]),
    "no sensor": ("[[sensor]]", "[[joint]]", ["[[joint]] board"]),
    "single brackets": ("[[magnet]]", "[magnet]", ["got one table [magnet], needs [[magnet]]"]),
    "double brackets": ("[tolerance]", "[[tolerance]]", ["got [[tolerance]], needs [tolerance]"]),
    "later schema": ('name = "boom-stick"', 'name = "boom-stick"\nschema = 2', ["schema: got 2, needs 1"]),
    "limit of no joint": (
        "[tolerance]",
        "[limits]\nposition_sd = {tilt-z = 1}\n[tolerance]",
        ['"tilt-z"', '"tilt-x", "tilt-y"'],
    ),
    "limit 0": (
        "[tolerance]",
        "[limits]\nposition_sd = {tilt-x = 0}\n[tolerance]",
        ["position_sd: got {tilt-x = 0}", "above 0"],
    ),
    "alarm at every sample": (
        "[tolerance]",
        "[limits]\nfalse_alarm = 1\n[tolerance]",
        ["[limits]: false_alarm: got 1, needs the chance, from 1e-9 to 0.5"],
    ),
    "temperatures reversed": (
        "[tolerance]",
        "[surroundings]\ntemperature_C = [40, -20]\n[tolerance]",
        ["got [40, -20]", "°C"],
    ),
    "calibration short": ("[tolerance]", CALIBRATION.replace("0.01", ""), ["values: got 1 numbers, needs 2"]),
    "calibration not square": (
        "[tolerance]",
        CALIBRATION.replace("[1, 0, 1]", "[1, 0]"),
        ["covariance: got 2 numbers, needs 3"],
    ),
    "calibration twice": (
        "[tolerance]",
        CALIBRATION.replace("sensor.board.gain.x", "magnet.stick-magnet.remanence_mT"),
        ["twice"],
    ),
    "calibration variance": ("[tolerance]", CALIBRATION.replace("[1, 0, 1]", "[1, 0, -1]"), ["a variance", "negative"]),
    "calibration of another rig": (
        "[tolerance]",
        CALIBRATION.replace("sensor.board", "sensor.bard"),
        ['no sensor "bard"'],
    ),
    "calibration address": (
        "[tolerance]",
        CALIBRATION.replace("sensor.board", "sensor-board"),
        ["parameters: got", "addresses"],
    ),
    "calibration hash": (
        "[tolerance]",
        CALIBRATION.replace("0" * 64, "0"),
        ['sha256: got "0"', "64 lower-case hexadecimal"],
    ),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_mistake_is_named(mistake):
    """The message begins with the file, says what is wrong in plain words and stays short."""
    old, new, words = MISTAKES[mistake]
    text = shipped.path("rigs/boom-stick.toml").read_text(encoding="utf-8")
    assert old in text

    with pytest.raises(errors.RigFileError) as caught:
        rigfile.parse(text.replace(old, new, 1), "my.toml")

    lines = str(caught.value).split("\n")
    assert all(line.startswith("my.toml: ") for line in lines)
    assert all(word in str(caught.value) for word in words), str(caught.value)
    assert len(lines) <= MOST_LINES
    assert max(map(len, lines)) <= MOST_CHARACTERS
    assert not any(word in str(caught.value) for word in ("pydantic", "http", "Traceback", "validation error"))


def test_one_mistake_is_one_line():
    """A key written wrongly is not also reported as missing."""
    text = shipped.path("rigs/boom-stick.toml").read_text(encoding="utf-8")

    with pytest.raises(errors.RigFileError) as caught:
        rigfile.parse(text.replace("diameter_mm", "diametre_mm"))

    assert "\n" not in str(caught.value)


def test_many_mistakes_are_cut():
    """Of many mistakes the first five are told, a line each, and how many more there are."""
    text = shipped.path("rigs/boom-stick.toml").read_text(encoding="utf-8").replace("_mm", "_cm")

    with pytest.raises(errors.RigFileError) as caught:
        rigfile.parse(text, "my.toml")

    lines = str(caught.value).split("\n")
    assert len(lines) == 6
    assert lines[-1] == "my.toml: and 3 more problems"


@pytest.mark.parametrize(
    "text", ["", 'name = "a"', 'name = "a"\nsensor = []\njoint = [3]', 'tolerance = 3\nname = "a"', "sensor.x = 3"]
)
def test_rigs_with_nearly_nothing(text):
    """A rig without its tables, or with numbers in their place, is refused like any other."""
    with pytest.raises(errors.RigFileError):
        rigfile.parse(text)


def test_joints_without_magnet():
    """A rig that has joints needs a magnet."""
    text = shipped.path("rigs/boom-stick.toml").read_text(encoding="utf-8")
    start, end = text.index("[[magnet]]"), text.index("[[sensor]]")

    with pytest.raises(errors.RigFileError, match=r"no \[\[magnet\]\], needs at least one"):
        rigfile.parse(text[:start] + text[end:])
