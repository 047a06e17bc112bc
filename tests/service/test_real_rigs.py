"""The shipped rigs through the whole way: what the service answers is what the solver gives in process."""

import functools
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import fluxfix
from fluxfix import rigfile, shipped
from fluxfix.errors import RigFileError
from fluxfix.service import RigStore, running
from fluxfix_client import Client, Fixes, InvalidArgumentError
from service.fakes import ALL_FIELDS

RIGS = sorted(path.stem for path in shipped.path("rigs").glob("*.toml"))
SOLVED = ("boom-stick", "rate-slider")  # two joints, and one; more rigs would only compile more
load = functools.cache(fluxfix.load_rig)  # the service and this process share each rig: the wire is what is looked at


@pytest.fixture(scope="module")
def client() -> Iterator[Client]:
    """A client of a service with the shipped rigs, whose functions are compiled at the first call."""
    store = RigStore(shipped.path("rigs"), load)
    with running(store) as service, Client(service.address, timeout_s=120) as client:
        yield client


@pytest.fixture(scope="module", params=SOLVED)
def rig(request: pytest.FixtureRequest) -> fluxfix.Rig:
    """One shipped rig."""
    return load(shipped.path(f"rigs/{request.param}.toml"))


def readings_of(rig: fluxfix.Rig) -> np.ndarray:
    """Draw noisy readings over the travel; some rows are lost, saturated or foreign."""
    rng = np.random.default_rng(11)
    low, high = np.array([(joint.low, joint.high) for joint in rig.joints]).T
    rows = rig.simulate(rng.uniform(low, high, (100, len(low))), seed=12)
    rows[5, 0], rows[6, 1], rows[7], rows[8] = np.nan, np.inf, 1e3, 0.0
    return rows


def assert_same(got: Fixes, expected: Fixes) -> None:
    """Compare every array bit for bit, NaN included."""
    for name in ALL_FIELDS:
        np.testing.assert_array_equal(getattr(got, name), getattr(expected, name), err_msg=name, strict=True)


def test_shipped_rigs_are_listed_as_they_are(client: Client) -> None:
    """Names, joints, columns and hashes of the listing are those of the rigs."""
    listed = client.rigs()

    assert [rig.name for rig in listed] == RIGS
    assert set(SOLVED) < set(RIGS)
    for told in listed:
        rig = load(shipped.path(f"rigs/{told.name}.toml"))
        assert told.columns == tuple(rig.columns)
        assert told.sha256 == rig.sha256
        assert [(j.name, j.unit, j.low, j.high) for j in told.joints] == [
            (j.name, j.unit, j.low, j.high) for j in rig.joints
        ]


def test_batch_over_the_wire_is_the_batch_in_process(client: Client, rig: fluxfix.Rig) -> None:
    """Every number of every fix is the same to the last bit; damaged readings are flagged fixes and no errors."""
    rows = readings_of(rig)
    expected = rig.solve(rows)
    got = client.solve(rig.name, rows)

    assert_same(got, expected)
    assert "NOT_MEASURED" in got.status_words[5]
    assert got.status_words == expected.status_words


@pytest.mark.parametrize("noise_mT", [None, 0.1])
def test_one_reading_over_the_wire_is_the_one_in_process(
    client: Client, rig: fluxfix.Rig, noise_mT: float | None
) -> None:
    """The same holds for readings sent one by one, damaged ones too, with the rig's own noise and with another."""
    for row in readings_of(rig)[:10]:
        assert_same(client.solve(rig.name, row, noise_mT=noise_mT), rig.solve(row, noise_mT=noise_mT))


@pytest.fixture(scope="module")
def writable(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """A client of a service whose folder, at first empty, may be written."""
    store = RigStore(tmp_path_factory.mktemp("rigs"), fluxfix.load_rig)
    with running(store) as service, Client(service.address, timeout_s=120) as client:
        yield client


def test_long_functions_over_the_wire_are_those_in_process(writable: Client) -> None:
    """Simulated readings, the calibrated rig file, and every byte of a table are the same."""
    path = shipped.path("rigs/rate-slider.toml")
    recording = shipped.path("recordings/rate-slider-unit-a/reference.csv")
    rig = fluxfix.load_rig(path)
    created = writable.create_rig(path.read_text(encoding="utf-8"))
    positions = np.linspace(-5.0, 5.0, 50)[:, None]
    simulated = writable.simulate("rate-slider", positions, 3, 0.1)
    table = writable.build_table("rate-slider", "1%")
    calibrated = writable.calibrate("rate-slider", recording, created.etag)
    expected = fluxfix.calibrate(rig, recording)

    np.testing.assert_array_equal(simulated, rig.simulate(positions, [3, 0], 0.1))
    assert {name: text.decode() for name, text in table.files.items()} == fluxfix.build_table(rig, "1%").files()
    assert calibrated.rig.text == writable.rig("rate-slider").text == expected.rig.text
    assert calibrated.warnings == tuple(expected.report.warnings)
    assert [one.sd for one in calibrated.parameters] == (expected.report.fit.sd * expected.report.inflation).tolist()


def test_mistakes_in_a_text_are_told_as_by_the_command_line(writable: Client, tmp_path: Path) -> None:
    """Each sentence is the one of the rig file's reader, without the file's name."""
    text = shipped.path("rigs/boom-stick.toml").read_text(encoding="utf-8").replace("diameter_mm", "diametre_mm")
    (tmp_path / "wrong.toml").write_text(text + "\nbogus = 1\n", encoding="utf-8")
    with pytest.raises(RigFileError) as told:
        rigfile.read(tmp_path / "wrong.toml")
    with pytest.raises(InvalidArgumentError) as caught:
        writable.create_rig(text + "\nbogus = 1\n")

    sentences = [line.removeprefix(f"{tmp_path / 'wrong.toml'}: ") for line in str(told.value).splitlines()]
    assert [sentence for _, sentence in caught.value.violations] == sentences
    assert "did you mean" in str(caught.value)
