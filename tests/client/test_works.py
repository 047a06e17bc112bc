"""The client's long functions: progress, results, deadlines; the waiting client and the one for asyncio do the same."""

import asyncio
import shutil
import threading
from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest

from fluxfix_client import AsyncClient, Client, DeadlineError, FluxfixClientError, InvalidArgumentError, NotFoundError
from service.fake_surveys import fake_survey
from service.fakes import FakeWorks, Gate, load, noticing_ends, serving, store_of

FIRST, SECOND = 'name = "stick"\n# 1\n', 'name = "stick"\n# 2\n'


@pytest.fixture
def gate() -> Gate:
    """What the long functions wait at before each step; open unless the test closes it."""
    gate = Gate()
    gate.opened.set()
    return gate


@pytest.fixture
def address(tmp_path: Path, gate: Gate) -> Iterator[str]:
    """A service with one rig and cheap long functions."""
    with serving(store_of(tmp_path / "rigs", stick=FIRST), FakeWorks(gate)) as address:
        yield address


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """A file of more than one piece."""
    path = tmp_path / "stops.csv"
    path.write_bytes(b"x" * (2 * 256 * 1024))
    return path


def test_recording_arrives_whole(address: str, recording: Path) -> None:
    """Pieces of a file join on the other side; progress is told on the way, and the rig is kept."""
    seen: list[tuple[int, int]] = []
    with Client(address) as client:
        etag = client.rig("stick").etag
        looked = client.calibrate("stick", recording, keep=False)
        found = client.calibrate("stick", [recording], etag, on_progress=lambda *step: seen.append(step))
        kept = client.rig("stick")

    assert found.rig == kept
    assert looked == replace(found, rig=looked.rig)
    assert f"stops.csv:{2 * 256 * 1024}" in kept.text
    assert (found.stops, found.samples, found.warnings) == (3, 18, ("poor",))
    assert seen == [(1, 4), (2, 4), (3, 4), (4, 4)]


def test_recordings_of_one_name_are_kept_apart(address: str, tmp_path: Path) -> None:
    """Files of several folders, whatever they are of, arrive as recordings of their own."""
    paths = [tmp_path / folder / "run.csv" for folder in "abcd"]
    for size, path in enumerate(paths, 1):
        path.parent.mkdir()
        path.write_bytes(b"x" * size)
    with Client(address) as client:
        found = client.calibrate("stick", paths[:2], keep=False, sweeps=paths[2], turns=[paths[3]])

    assert found.rig.text.endswith("# calibrated by run.csv:1 run-2.csv:2 sweep run-3.csv:3 turn run-4.csv:4\n")
    assert (found.in_motion, found.miswired) == (2, False)


def test_build_of_other_wires_is_an_error(address: str, tmp_path: Path) -> None:
    """Nothing is kept where a recording says that wires are crossed, unless it is wanted so."""
    crossed = tmp_path / "crossed.csv"
    crossed.write_bytes(b"crossed")
    with Client(address) as client:
        etag = client.rig("stick").etag
        with pytest.raises(FluxfixClientError, match="mend the wires") as caught:
            client.calibrate("stick", (), etag, moving=crossed)
        assert caught.value.reason == "RIG_MISWIRED"
        assert client.rig("stick").etag == etag
        assert client.calibrate("stick", (), etag, moving=crossed, as_wired=True).rig.etag != etag


def test_table_can_be_had_again(address: str) -> None:
    """What was built is listed without files, and got with them."""
    seen: list[tuple[int, int]] = []
    with Client(address) as client:
        table = client.build_table("stick", "0.2%", on_progress=lambda *step: seen.append(step))
        assert client.table("stick", table.sha256) == table
        assert client.tables("stick") == [replace(table, files={})]

    assert table.files["README.md"] == b"error 0.2%"
    assert (table.proven, table.instructions) == (False, {})
    assert seen[-1] == (4, 4)


def test_table_is_made_within_limits(address: str) -> None:
    """Limits reach the service; what a core needs comes back; a limit of nothing is refused before anything is sent."""
    with Client(address) as client:
        table = client.build_table("stick", max_bytes=100, max_instructions=200, core="rv32", interpolation="linear")
        with pytest.raises(InvalidArgumentError, match="more than 0"):
            client.build_table("stick", max_bytes=0)

    asked = b"error None max_bytes=100 max_instructions=200 core=rv32 interpolation=linear"
    assert table.files["README.md"] == asked
    assert (table.proven, table.instructions) == (True, {"rv32": (7, 8, 9)})
    assert [one.largest_found for one in table.joints] == [0.25, 1.25]


def test_rates_are_studied(address: str) -> None:
    """Speeds and rates reach the study; its numbers come back as values."""
    with Client(address) as client:
        study = client.study_rates("stick", {"travel": 3.0}, [10.0, 20.0])

    assert study.speeds == (-1.0, 3.0)
    assert [rate.rate_hz for rate in study.rates] == [10.0, 20.0]
    assert (study.rates[0].joints[1].lag, study.rates[0].joints[1].worst) == (0.3, 1.1)
    assert (study.solve_path, study.advised_rate_hz, study.rates[1].age_us) == ("fast", 10.0, 18.5)
    assert study.latencies[0].calls == 300


def test_rig_is_surveyed(address: str, tmp_path: Path) -> None:
    """Resolutions and budgets reach the survey; its numbers come back as values, and progress is told."""
    seen: list[tuple[int, int]] = []
    with Client(address) as client:
        found = client.survey("stick", {"travel": 0.5}, 5000, 5.0, on_progress=lambda *step: seen.append(step))
        default = client.survey("stick")
    expected = fake_survey(load(tmp_path / "rigs" / "stick.toml"), {"travel": 0.5}, 5000, 5.0)

    assert [one.resolution for one in found.joints] == [-1.0, 0.5]
    assert (found.separation.verdict, found.separation.noise.box_pairs) == ("not proven", 5000)
    assert default.separation.noise.box_pairs == -1
    np.testing.assert_array_equal(found.places.position, expected.places.positions, strict=True)
    assert seen == [(1, 4), (2, 4), (3, 4), (4, 4)]


@pytest.mark.parametrize("budget", [{"box_pairs": 0}, {"seconds": -1.0}, {"seconds": float("nan")}])
def test_survey_without_any_budget_is_refused(address: str, budget: dict[str, float]) -> None:
    """What would be taken for the default on the wire is told before anything is sent."""
    with Client(address) as client, pytest.raises(InvalidArgumentError, match="more than 0"):
        client.survey("stick", **budget)


@pytest.mark.parametrize("n", [0, 1, 9000])
def test_readings_are_simulated(address: str, tmp_path: Path, n: int) -> None:
    """Many positions give many readings, one gives one, and none gives none of the right width."""
    rig = load(tmp_path / "rigs" / "stick.toml")
    positions = np.random.default_rng(1).uniform(-5, 5, (n, 2))
    seen: list[tuple[int, int]] = []
    with Client(address) as client:
        exact = client.simulate("stick", positions, exact=True, on_progress=lambda *step: seen.append(step))
        one = client.simulate("stick", [1.0, 2.0], 7, 0.5)

    np.testing.assert_array_equal(exact, rig.readings(positions), strict=True)
    np.testing.assert_array_equal(one, rig.simulate([[1.0, 2.0]], [7, 0], 0.5)[0], strict=True)
    assert seen[-1] == (n, max(n, 1))


def test_error_raised_in_progress_cancels_the_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It reaches the caller as it is, and the service keeps nothing."""

    class StopError(Exception):
        pass

    def stop(_done: int, _total: int) -> None:
        raise StopError

    noticed = noticing_ends(monkeypatch)
    permits = threading.Semaphore(1)  # the first of four steps may be done
    store = store_of(tmp_path, stick=FIRST)
    with serving(store, FakeWorks(permits.acquire)) as address, Client(address) as client:
        with pytest.raises(StopError):
            client.build_table("stick", on_progress=stop)
        assert noticed.wait(timeout=30)
        permits.release(3)
        for work in [thread for thread in threading.enumerate() if thread.name == "fluxfix-work"]:
            work.join(timeout=30)
        assert client.tables("stick") == []
    assert not (tmp_path / "tables").exists()


def test_long_function_has_a_deadline_of_its_own(address: str, gate: Gate) -> None:
    """Its time is told in the error, and is not the one of a message."""
    gate.opened.clear()
    with Client(address, timeout_s=60.0) as client, pytest.raises(DeadlineError, match=r"within 0\.2 s"):
        client.build_table("stick", timeout_s=0.2)
    gate.opened.set()


@pytest.mark.parametrize("wrong", ["nowhere.csv", ""])
def test_recording_that_is_not_there_is_told_before_the_call(address: str, tmp_path: Path, wrong: str) -> None:
    """A missing file, and a folder, are named."""
    with Client(address) as client:
        with pytest.raises(InvalidArgumentError, match="name a recording"):
            client.calibrate("stick", tmp_path / wrong, keep=False)
        with pytest.raises(InvalidArgumentError, match="at least one"):
            client.calibrate("stick", [], keep=False)


def test_asyncio_client_does_the_same(address: str, recording: Path, tmp_path: Path) -> None:
    """Every function, awaited, gives what the waiting client gives."""
    shutil.rmtree(tmp_path / "rigs")

    async def talk() -> tuple[object, ...]:
        async with AsyncClient(address) as client:
            created = await client.create_rig(FIRST)
            replaced = await client.replace_rig("stick", SECOND, created.etag)
            steps: list[tuple[int, int]] = []
            calibration = await client.calibrate("stick", recording, keep=False, on_progress=lambda *s: steps.append(s))
            table = await client.build_table("stick")
            rest = await asyncio.gather(
                client.revisions("stick"),
                client.revision("stick", 1),
                client.tables("stick"),
                client.table("stick", table.sha256),
                client.study_rates("stick", {"travel": 3.0}, [10.0]),
                client.survey("stick", {"travel": 3.0}, 5000, 8.0),
                client.simulate("stick", np.zeros((9000, 2)), 3),
            )
            assert steps[-1] == (4, 4)
            return replaced.etag, calibration, *rest

    async def end(etag: str) -> BaseException:
        async with AsyncClient(address) as client:
            await client.delete_rig("stick", etag)
            missing = await asyncio.gather(client.rig("stick"), return_exceptions=True)
            return missing[0]

    (tmp_path / "rigs").mkdir()
    etag, *got = asyncio.run(talk())
    with Client(address) as client:
        expected = [
            client.calibrate("stick", recording, keep=False),
            client.revisions("stick"),
            client.revision("stick", 1),
            client.tables("stick"),
            client.table("stick", got[4].sha256),
            client.study_rates("stick", {"travel": 3.0}, [10.0]),
            client.survey("stick", {"travel": 3.0}, 5000, 8.0),
            client.simulate("stick", np.zeros((9000, 2)), 3),
        ]

    np.testing.assert_array_equal(got.pop(), expected.pop())
    np.testing.assert_equal(asdict(got.pop()), asdict(expected.pop()))
    assert got == expected
    assert isinstance(asyncio.run(end(etag)), NotFoundError)
