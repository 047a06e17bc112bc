"""The shipped rigs through the whole way: what the service answers is what the solver gives in process."""

from collections.abc import Iterator

import numpy as np
import pytest

import fluxfix
from fluxfix import shipped
from fluxfix.service import RigStore, running
from fluxfix_client import Client, Fixes
from service.fakes import ALL_FIELDS

RIGS = ("boom-stick", "measured-scan", "rate-slider")
SOLVED = ("boom-stick", "measured-scan")  # two joints, and one; more rigs would only compile more


@pytest.fixture(scope="module")
def client() -> Iterator[Client]:
    """A client of a service with the shipped rigs, whose functions are compiled at the first call."""
    store = RigStore(shipped.path("rigs"), fluxfix.load_rig)
    with running(store) as service, Client(service.address, timeout_s=120) as client:
        yield client


@pytest.fixture(scope="module", params=SOLVED)
def rig(request: pytest.FixtureRequest) -> fluxfix.Rig:
    """One shipped rig, loaded in this process."""
    return fluxfix.load_rig(shipped.path(f"rigs/{request.param}.toml"))


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

    assert [rig.name for rig in listed] == sorted(RIGS)
    for told in listed:
        rig = fluxfix.load_rig(shipped.path(f"rigs/{told.name}.toml"))
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


def test_one_reading_over_the_wire_is_the_one_in_process(client: Client, rig: fluxfix.Rig) -> None:
    """The same holds for readings sent one by one, damaged ones too, and with another noise."""
    for row in readings_of(rig)[:10]:
        assert_same(client.solve(rig.name, row, noise_mT=0.1), rig.solve(row, noise_mT=0.1))
