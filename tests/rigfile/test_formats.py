"""The user's page on files and the code that reads them say the same."""

import re

import pytest

from fluxfix import recordings, rigfile, shipped
from fluxfix.rigfile import joints, magnets, messages, model, plates, sensors, tolerance

PAGE = shipped.path("FORMATS.md").read_text(encoding="utf-8")
TABLES = [
    model.RigFile,
    *magnets.SHAPES.values(),
    sensors.Sensor,
    sensors.Bus,
    *joints.KINDS.values(),
    joints.Follows,
    plates.Plate,
    model.Surroundings,
    tolerance.Tolerance,
    model.Limits,
    model.CalibrationTable,
    model.UsedRecording,
]
KEYS = sorted({key for table in TABLES for key in messages.keys(table)})


@pytest.mark.parametrize("key", KEYS)
def test_every_key_is_explained(key):
    """No key is accepted that the page does not name, as a whole word."""
    assert re.search(rf"(?<!\w){key}(?!\w)", PAGE)


def test_every_key_of_the_page_is_accepted():
    """No row of the page's tables names a key that is not accepted."""
    rows = re.findall(r"^\| (`\w+`(?:, `\w+`)*) ", PAGE.split("## 2 Recording")[0], flags=re.MULTILINE)
    named = {key for row in rows for key in re.findall(r"`(\w+)`", row)}

    assert named - set(KEYS) == set()
    assert len(named) > 40


def test_every_example_is_a_rig():
    """Every TOML example on the page is a whole rig file that is read without complaint."""
    examples = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)

    assert len(examples) == 4
    for example in examples:
        rigfile.parse(example)


def test_example_recording_is_read(tmp_path):
    """The CSV example on the page is a recording."""
    path = tmp_path / "a.csv"
    rows = re.findall(r"^    (t_s,.*|\d.*,.*)$", PAGE.split("## 2 Recording")[1], flags=re.MULTILINE)
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")

    recording = recordings.open_recording(path)

    assert recording.ignored == ()
    assert len(recording.read()) == 2


@pytest.mark.parametrize("name", [name for name, field in tolerance.Tolerance.model_fields.items()])
def test_defaults_of_tolerances_are_those_of_the_page(name):
    """The page's default of each tolerance is the one used where a file leaves it out."""
    section = PAGE.split("### `[tolerance]`")[1]
    row = next(line for line in section.splitlines() if line.startswith("|") and f"`{name}`" in line)
    told = float(re.search(r"\{sd = ([\d.]+)\}", row)[1])

    assert getattr(rigfile.Tolerance(), name).sd == told
