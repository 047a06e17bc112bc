"""The demonstration reaches the numbers that it is there to show."""

from pathlib import Path

import pytest

from fluxfix.demo import demonstrate
from fluxfix.report.results import RigResult

SCAN_RMS_MM = 0.045  # an independent seven-parameter fit of the same stops left 0.038 mm at the others
FOREIGN_SEEN, FALSE_ALARMS = 0.95, 0.003  # of the samples; 0.1 % is expected


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that it writes."""
    return tmp_path_factory.mktemp("demo")


@pytest.fixture(scope="module")
def rigs(out: Path) -> dict[str, RigResult]:
    """Its results, by rig; it runs once."""
    return {rig.name: rig for rig in demonstrate(out, lambda _line: None).rigs}


def test_the_real_scan_is_held_out_within_its_limit(rigs: dict[str, RigResult]) -> None:
    """Calibrated on stops 1, 3, 5, …, the others are right to 0.045 mm rms."""
    assert rigs["measured-scan"].held_out.rms[0] <= SCAN_RMS_MM


def test_the_foreign_magnet_is_flagged_and_little_else(rigs: dict[str, RigResult]) -> None:
    """In the second in which it passed nearly all samples carry POOR_MATCH, elsewhere hardly any."""
    sweep = rigs["rate-slider"].sweep
    assert sweep is not None
    assert sweep.share_inside is not None
    assert sweep.share_inside >= FOREIGN_SEEN
    assert sweep.share_outside <= FALSE_ALARMS
    stick = rigs["boom-stick"].sweep
    assert stick is not None
    assert stick.foreign is None


def test_c_and_twin_agree_and_the_service_answers_the_same(rigs: dict[str, RigResult]) -> None:
    """On every sample of the recordings, to the last bit."""
    for rig in rigs.values():
        assert rig.table is not None
        assert rig.table.compared == {"measured-scan": 61, "boom-stick": 19136, "rate-slider": 17600}[rig.name]
        assert rig.service is not None
        assert "to the last bit" in rig.service


def test_it_leaves_a_page_rigs_fixes_and_tables(out: Path, rigs: dict[str, RigResult]) -> None:
    """The folder holds all that a user wants to look at; the page needs nothing from outside."""
    assert set(rigs) == {"measured-scan", "boom-stick", "rate-slider"}
    names = {path.name for path in out.iterdir()}
    assert {
        "report.html",
        "boom-stick.toml",
        "boom-stick-fixes.csv",
        "boom-stick-table",
        "rate-slider.toml",
        "first-run.png",
    } <= names
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "<script" not in page
