"""What `fluxfix check` says of material, temperature and plates."""

import json

import pytest

from fluxfix import shipped
from fluxfix.cli.run import run

SLIDER = shipped.path("rigs/rate-slider.toml").read_text(encoding="utf-8")
STRENGTH = "remanence_mT = 1180.0"
COLUMNS = 100  # of a terminal


def check(tmp_path, capsys, *replaced, options=()):
    """Run the command on the slider with parts of its text replaced; what it prints, without line breaks."""
    text = SLIDER
    for old, new in replaced:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "rig.toml"
    path.write_text(text, encoding="utf-8")
    assert run(["check", str(path), *options]) == 0
    said = capsys.readouterr().out
    assert "--json" in options or max(len(line) for line in said.splitlines()) <= COLUMNS
    return said if "--json" in options else " ".join(said.split())


def test_material(tmp_path, capsys):
    """Remanence and effective polarization, working points at both ends, drift of fixes, whose values these are."""
    said = check(
        tmp_path,
        capsys,
        (STRENGTH, 'material = "ndfeb"'),
        ("[tolerance]", "[surroundings]\ntemperature_C = [-20, 60]\n[tolerance]"),
    )

    assert "magnet slide-magnet: block, ndfeb, Br 1280 mT, effective 1267.4 mT (recoil permeability 1.05)" in said
    assert "at -20 °C: Br 1336.3 mT" in said
    assert "at 60 °C: Br 1223.7 mT" in said
    assert said.count("HcJ ") == said.count("margin ") == 2
    assert "surroundings.temperature_C -20 to 60 °C, computed at 20 °C, not measured" in said
    assert "; the sd above hold this" in said
    assert "fixes are weighted for surroundings.temperature_C; 1 % of magnet strength beside it would shift" in said
    assert "taken as exact" not in said
    assert "values of ndfeb are typical of the family" in said
    assert "common practice" not in said


def test_margin(tmp_path, capsys):
    """A margin below 20 % at either end is warned of: a flat ferrite magnet in the cold, not in the warmth."""
    said = check(
        tmp_path,
        capsys,
        (STRENGTH, 'material = "ferrite"'),
        ("size_mm = [8.0, 4.0, 4.0]", "size_mm = [2.0, 8.0, 4.0]"),
        ("[tolerance]", "[surroundings]\ntemperature_C = [-40, 80]\n[tolerance]"),
    )

    assert said.count("common practice, no source") == 1
    assert "note: magnet slide-magnet at -40 °C: the margin" in said
    assert "Compare with its maker's demagnetisation curves" in said


def test_coefficients_that_leave_nothing(tmp_path, capsys):
    """A percentage written for a part: the coercivity's is warned of, since only `check` uses it; a gain's refused."""
    hot = ("[tolerance]", "[surroundings]\ntemperature_C = [-40, 85]\n[tolerance]")
    keys = "\ncoercivity_kA_per_m = 900\ncoercivity_temperature_coefficient_per_K = -0.6"
    said = check(tmp_path, capsys, (STRENGTH, STRENGTH + keys), hot)

    assert "at 85 °C: its coefficient leaves no coercivity" in said
    assert "inf" not in said
    path = tmp_path / "rig.toml"
    path.write_text(path.read_text().replace("bits = ", "temperature_coefficient_per_K = -0.5\nbits = "))
    assert run(["check", str(path)]) == 1
    assert "at 85 °C its temperature_coefficient_per_K of -0.5 leaves no gain" in capsys.readouterr().err


def test_plate(tmp_path, capsys):
    """The distance from the plate, and that real sheets are worse than the model's."""
    plate = "[[plate]]\npoint_mm = [0, 0, 12]\nnormal = [0, 0, 1]\n[tolerance]"
    said = check(tmp_path, capsys, ("[tolerance]", plate))

    assert "magnets and sensors to plate: at least 3.5 mm" in said
    assert "real sheets saturate and remember" in said


def test_a_plain_magnet_stays_plain(tmp_path, capsys):
    """A rig that says nothing of its material gets its strength, and no more words than that; JSON holds the same."""
    said = check(tmp_path, capsys)
    found = json.loads(check(tmp_path, capsys, options=["--json"]))

    assert "magnet slide-magnet: block, 1180 mT, rides on travel" in said
    assert "HcJ" not in said
    (magnet,) = found["magnets"]
    assert magnet["remanence_mT"] == magnet["polarization_mT"] == pytest.approx(1180.0)
    assert (magnet["working_points"], found["varying"], found["plate_clearance_mm"]) == ([], [], None)
