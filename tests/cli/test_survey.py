"""`fluxfix survey`: what it writes, and that nothing is left of one that was stopped."""

import json
from pathlib import Path

import pytest

from fluxfix.cli import survey
from fluxfix.cli.run import INTERRUPTED, USAGE, run
from inverse import rigs


@pytest.fixture
def knob(tmp_path: Path) -> Path:
    """A rig file of a full turn."""
    path = tmp_path / "knob.toml"
    path.write_text(rigs.KNOB, encoding="utf-8")
    return path


def test_survey_writes_a_page_and_numbers(knob: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The folder holds the page and the numbers that --json prints; an existing one is kept without --force."""
    out = tmp_path / "survey"
    assert run(["survey", str(knob), "--out", str(out), "--resolution", "turn=2", "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed == json.loads((out / "survey.json").read_text(encoding="utf-8"))
    assert printed["separation"]["verdict"] == "told apart"
    assert printed["joints"][0]["resolution"] == 2.0
    assert "told apart by one reading" in (out / "survey.html").read_text(encoding="utf-8")
    assert sorted(path.name for path in out.iterdir()) == ["survey.html", "survey.json"]
    assert run(["survey", str(knob), "--out", str(out)]) == USAGE
    assert run(["survey", str(knob), "--out", str(out), "--force"]) == 0
    assert capsys.readouterr().out.startswith("rig knob: told apart")


def test_a_stopped_survey_leaves_nothing(knob: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C in the middle ends with its code and no folder."""

    def stopping(_what: str) -> object:
        def stop(done: int, _total: int) -> None:
            if done > 0:
                raise KeyboardInterrupt

        return stop

    monkeypatch.setattr(survey, "progress", stopping)
    out = tmp_path / "survey"
    assert run(["survey", str(knob), "--out", str(out)]) == INTERRUPTED
    assert [path.name for path in tmp_path.iterdir()] == ["knob.toml"]


@pytest.mark.parametrize(
    ("option", "words"),
    [
        (["--resolution", "turn"], "needs a joint and a number"),
        (["--resolution", "trun=1"], "rig knob has turn"),
        (["--boxes", "0"], "needs at least 1"),
        (["--seconds", "-1"], "needs more than 0"),
    ],
)
def test_mistakes(
    knob: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], option: list[str], words: str
) -> None:
    """A budget or resolution that makes no sense is told in a sentence, and nothing is written."""
    assert run(["survey", str(knob), "--out", str(tmp_path / "survey"), *option]) == USAGE
    assert words in capsys.readouterr().err
    assert not (tmp_path / "survey").exists()
