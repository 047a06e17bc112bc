"""`fluxfix stops`: what it prints and writes, and that what it writes can be read again."""

import json
from pathlib import Path

import pytest

from fluxfix import api, shipped
from fluxfix.cli.run import USAGE, run

SLIDER = str(shipped.path("rigs/rate-slider.toml"))


def test_stops_are_printed_and_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The file holds the stops that --json prints; `fluxfix readings` takes it as positions."""
    out, recording = tmp_path / "stops.csv", tmp_path / "bench.csv"

    assert run(["stops", SLIDER, "--sd", "0.02mm", "--out", str(out), "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    written = api.load_recording(out).read()

    assert printed["met"]
    assert printed["joints"][0]["calibration_sd"] <= printed["joints"][0]["target"] == 0.02
    assert [stop["travel"] for stop in printed["stops"]] == written.values["travel_mm"].tolist()
    assert run(["readings", SLIDER, str(out), "--out", str(recording), "--noise"]) == 0
    assert api.calibrate(api.load_rig(SLIDER), recording).report.fit.converged


def test_the_table_fits_the_screen(capsys: pytest.CaptureFixture[str]) -> None:
    """The text names each stop and what is left, within 100 columns."""
    assert run(["stops", SLIDER, "--count", "3"]) == 0
    lines = capsys.readouterr().out.splitlines()

    assert lines[0].split() == ["stop", "travel", "in", "mm"]
    assert max(map(len, lines)) <= 100
    assert "3 stops, 100 samples each: the best found" in "\n".join(lines)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--sd", "0.1mm", "--count", "3"], "got --sd and --count, needs one of the two"),
        (["--sd", "0.1"], "needs a number above 0 with its unit"),
        (["--sd", "0.1deg"], "needs one for travel (in mm) too"),
        (["--count", "99"], "allowed are 1 to"),
    ],
)
def test_mistakes_get_a_sentence(options: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong option is told with what is allowed."""
    assert run(["stops", SLIDER, *options]) == USAGE
    assert says in capsys.readouterr().err


def test_an_unreached_sd_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """Where even the most stops leave more than wanted, the command says so."""
    assert run(["stops", SLIDER, "--sd", "0.0001mm"]) == 0
    assert "not reached" in capsys.readouterr().err
