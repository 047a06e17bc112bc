"""What `fluxfix check` says of foreign fields."""

import json

import pytest

from fluxfix import shipped
from fluxfix.cli.run import USAGE, run

SLIDER = str(shipped.path("rigs/rate-slider.toml"))


def test_foreign_fields_are_told_where_asked(capsys):
    """One line each: the smallest found, the share not found, the shift, the alarm; nothing where none is stated."""
    assert run(["check", SLIDER]) == 0
    silent = capsys.readouterr().out
    assert run(["check", SLIDER, "--stray-mT", "1", "--confirm", "1/1", "--confirm", "2/3", "--rate-hz", "2000"]) == 0
    said = " ".join(capsys.readouterr().out.split())

    assert "foreign field, the same at all sensors" not in silent
    assert "(false alarm 0.1 % a sample, found with 99 %)" in said
    assert "smallest found in every direction: none, at " in said
    assert "leaves no misfit at any size" in said
    assert "of 1 mT: not found along 2.83 % of the directions" in said
    assert "up to 1 mT, shifts travel by up to 0.56 mm" in said
    assert "at 2000 Hz, its delay and false alarms: 1 of 1: 0.500 ms, 7193 an hour; 2 of 3: 1.50 ms, 14 an hour" in said


def test_foreign_fields_as_json(capsys):
    """The same as numbers; what is infinite is null, and places are left out."""
    assert run(["check", SLIDER, "--detection", "0.9", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["integrity"]

    assert (found["dof"], found["detection"], found["every_direction_mT"]) == (2, 0.9, None)
    assert (found["stray_mT"], found["unseen_share"]) == (None, None)
    assert "places" not in found


@pytest.mark.parametrize(
    ("option", "says"), [(["--confirm", "2of3"], "--confirm 2of3"), (["--false-alarm", "2"], "false_alarm = 2.0")]
)
def test_mistakes(option, says, capsys):
    """An option that makes no sense is told in a sentence."""
    assert run(["check", SLIDER, *option]) == USAGE
    assert says in capsys.readouterr().err
