"""The shipped rigs through the whole way: what the service answers is what the solver gives in process."""

import functools
from collections.abc import Callable, Iterator
from dataclasses import asdict
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
SOLVED = ("boom-stick", "measured-scan")  # two joints, and one; of those with one, the quickest to compile
SAMPLE = [([0.0], np.zeros((1, 3)))]
BACKWARDS = [([1.0, 0.0], np.zeros((2, 3)))]
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
    """Simulated readings, the calibrated rig file, every byte of a table, and every number of a survey are the same."""
    path = shipped.path("rigs/measured-scan.toml")
    recording = shipped.path("recordings/measured-scan/reference.csv")
    rig = fluxfix.load_rig(path)
    created = writable.create_rig(path.read_text(encoding="utf-8"))
    positions = np.linspace(-5.0, 5.0, 50)[:, None]
    simulated = writable.simulate("measured-scan", positions, 3, 0.1)
    table = writable.build_table("measured-scan", "1%")
    survey = writable.survey("measured-scan", {"travel": 2.0}, 5000)
    calibrated = writable.calibrate("measured-scan", recording, created.etag)
    expected, surveyed = fluxfix.calibrate(rig, recording), fluxfix.survey(rig, {"travel": 2.0}, 5000)

    np.testing.assert_array_equal(simulated, rig.simulate(positions, [3, 0], 0.1))
    assert {name: text.decode() for name, text in table.files.items()} == fluxfix.build_table(rig, "1%").files()
    assert [one.sd_worst for one in survey.joints] == [one.sd_worst for one in surveyed.joints]
    assert survey.separation.verdict == surveyed.separation.verdict
    assert [*asdict(survey.separation.noise).values()] == [*asdict(surveyed.separation.sd).values()][1:]
    np.testing.assert_equal([*asdict(survey.places).values()], [*asdict(surveyed.places).values()])
    assert calibrated.rig.text == writable.rig("measured-scan").text == expected.rig.text
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


@pytest.mark.parametrize(
    ("ask", "field"),
    [
        (lambda client: client.survey("boom-stick", {"tilt": 1.0}), "resolutions"),
        (lambda client: client.survey("boom-stick", {"tilt-x": -1.0}), "resolutions"),
        (lambda client: client.study_rates("boom-stick", {"tilt": 1.0}), "speeds"),
        (lambda client: client.study_rates("boom-stick", {"tilt-x": np.nan}), "speeds"),
        (lambda client: client.study_rates("boom-stick", None, [0.0]), "rates_hertz"),
        (lambda client: client.build_table("boom-stick", "much"), "error"),
        (lambda client: client.build_table("boom-stick", core="fast"), "core"),
        (lambda client: client.build_table("boom-stick", interpolation="round"), "interpolation"),
        (lambda client: list(client.track("boom-stick", SAMPLE, ahead_ms=-1.0)), "options.ahead_milliseconds"),
        (lambda client: list(client.track("boom-stick", SAMPLE, coast_ms=-1.0)), "options.coast_milliseconds"),
        (
            lambda client: list(client.track("boom-stick", SAMPLE, max_acceleration={"x": 1})),
            "options.max_acceleration",
        ),
        (lambda client: list(client.track("boom-stick", BACKWARDS)), "t_seconds"),
    ],
)
def test_field_that_is_to_blame_is_named(client: Client, ask: Callable[[Client], object], field: str) -> None:
    """Where the façade refuses an argument, BadRequest names the field that it came in, with the façade's sentence."""
    with pytest.raises(InvalidArgumentError) as caught:
        ask(client)

    assert caught.value.violations == ((field, str(caught.value)),)
