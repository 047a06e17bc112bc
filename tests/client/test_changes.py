"""The client's functions beyond solving: rigs that change, long functions, both kinds of client alike."""

import asyncio
import shutil
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import grpc
import numpy as np
import pytest

from fluxfix.service import RigStore
from fluxfix_client import (
    AccessError,
    AsyncClient,
    Client,
    ConflictError,
    DeadlineError,
    ExhaustedError,
    FluxfixClientError,
    InvalidArgumentError,
    NotFoundError,
    Tls,
)
from fluxfix_client.channel import SAFE_METHODS, methods_of
from fluxfix_client.errors import from_rpc
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


def test_rig_is_created_replaced_and_deleted(address: str) -> None:
    """A change needs the etag of what was read, and says so if somebody was faster."""
    with Client(address) as client:
        created = client.create_rig('name = "new"\n')
        replaced = client.replace_rig("new", 'name = "new"\n# 2\n', created.etag)
        with pytest.raises(ConflictError) as caught:
            client.replace_rig("new", 'name = "new"\n# 3\n', created.etag)
        assert caught.value.metadata["etag"] == replaced.etag
        assert client.rig("new") == replaced
        with pytest.raises(ConflictError):
            client.create_rig('name = "new"\n')
        client.delete_rig("new", replaced.etag)
        with pytest.raises(NotFoundError):
            client.rig("new")
        revisions = client.revisions("new")
        assert [one.number for one in revisions] == [2, 1]
        assert client.revision("new", 1).rig == created
        assert client.revision("new", 2) == replace(revisions[0], rig=replaced)
        assert revisions[0].written.tzinfo is not None


def test_each_mistake_in_a_text_is_told(address: str) -> None:
    """The error names the field and has the sentence of the rig file's reader."""
    with Client(address) as client, pytest.raises(InvalidArgumentError) as caught:
        client.create_rig('name = "new"\nbroken = 1')

    assert caught.value.violations == (("rig.toml_text", "got key broken, no such key is allowed: remove it"),)


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


def test_table_can_be_had_again(address: str) -> None:
    """What was built is listed without files, and got with them."""
    seen: list[tuple[int, int]] = []
    with Client(address) as client:
        table = client.build_table("stick", "0.2%", on_progress=lambda *step: seen.append(step))
        assert client.table("stick", table.sha256) == table
        assert client.tables("stick") == [replace(table, files={})]

    assert table.files["README.md"] == b"error 0.2%"
    assert seen[-1] == (4, 4)


def test_rates_are_studied(address: str) -> None:
    """Speeds and rates reach the study; its numbers come back as values."""
    with Client(address) as client:
        study = client.study_rates("stick", {"travel": 3.0}, [10.0, 20.0])

    assert study.speeds == (-1.0, 3.0)
    assert [rate.rate_hz for rate in study.rates] == [10.0, 20.0]
    assert study.rates[0].joints[1].lag == 0.3
    assert study.latencies[0].calls == 300


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
            client.simulate("stick", np.zeros((9000, 2)), 3),
        ]

    np.testing.assert_array_equal(got.pop(), expected.pop())
    assert got == expected
    assert isinstance(asyncio.run(end(etag)), NotFoundError)


def test_safe_methods_are_those_that_change_nothing() -> None:
    """A method is repeated by itself only if doing it twice is doing it once and it is short; the names exist."""
    safe = {name for names in SAFE_METHODS.values() for name in names}
    with grpc.insecure_channel("127.0.0.1:1") as channel:
        known = set(methods_of(channel))

    assert safe < known
    assert not any(name.startswith(("Create", "Update", "Delete", "Calibrate", "Build")) for name in safe)


def test_change_is_not_repeated() -> None:
    """A change that was refused as UNAVAILABLE may have been made: the caller decides."""
    tries = []

    def refuse(request: object, context: grpc.ServicerContext) -> None:
        tries.append(request)
        context.abort(grpc.StatusCode.UNAVAILABLE, "not now")

    server = grpc.server(ThreadPoolExecutor(1))
    handler = grpc.unary_unary_rpc_method_handler(refuse)
    server.add_generic_rpc_handlers(
        (grpc.method_handlers_generic_handler("fluxfix.v1.RigService", {"CreateRig": handler}),)
    )
    port = server.add_insecure_port("127.0.0.1:0")
    server.start()
    with Client(f"127.0.0.1:{port}") as client, pytest.raises(ConnectionError):
        client.create_rig(FIRST)
    server.stop(None).wait()

    assert len(tries) == 1


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (grpc.StatusCode.RESOURCE_EXHAUSTED, ExhaustedError),
        (grpc.StatusCode.UNAUTHENTICATED, AccessError),
        (grpc.StatusCode.PERMISSION_DENIED, AccessError),
        (grpc.StatusCode.ABORTED, ConflictError),
        (grpc.StatusCode.ALREADY_EXISTS, ConflictError),
        (grpc.StatusCode.INTERNAL, FluxfixClientError),
    ],
)
def test_codes_have_their_errors(code: grpc.StatusCode, kind: type[FluxfixClientError]) -> None:
    """Each code that a caller can react to is an error of its own; an access error is a PermissionError, too."""

    class Failed(grpc.RpcError):
        def code(self) -> grpc.StatusCode:
            return code

        def details(self) -> str:
            return "because"

        def trailing_metadata(self) -> None:
            return None

    error = from_rpc(Failed(), "127.0.0.1:1", 1.0)

    assert type(error) is kind
    assert (str(error), error.code) == ("because", code.name)
    assert isinstance(error, PermissionError) == (kind is AccessError)


@pytest.mark.parametrize("token", ["", " x", "x\n", "ä"])
def test_token_that_is_none_is_refused(token: str) -> None:
    """A line end copied along is told before anything is sent."""
    with pytest.raises(InvalidArgumentError, match="token"):
        Client("127.0.0.1:1", token=token)


def test_files_for_an_encrypted_connection_must_be_there(tmp_path: Path) -> None:
    """A missing file is named, and a certificate needs its key."""
    with pytest.raises(InvalidArgumentError, match=r"nowhere\.pem"):
        Client("127.0.0.1:1", tls=Tls(authority=tmp_path / "nowhere.pem"))
    with pytest.raises(InvalidArgumentError, match="both are needed"):
        Client("127.0.0.1:1", tls=Tls(certificate=tmp_path / "c.pem"))


def test_several_addresses_are_used_in_turn(tmp_path: Path) -> None:
    """Calls to an address that stands for two servers reach both."""
    text = 'name = "stick"\n'
    folders = [tmp_path / "one", tmp_path / "two"]
    counts = [Counting(store_of(folder, stick=text)) for folder in folders]
    with (
        serving(counts[0].store, FakeWorks()) as one,
        serving(counts[1].store, FakeWorks()) as two,
        Client(f"ipv4:{one},{two}") as client,
    ):
        for _ in range(40):
            client.rig("stick")

    assert all(count.asked > 0 for count in counts)


class Counting:
    """A store that counts how often it is asked for a rig."""

    def __init__(self, store: RigStore) -> None:
        self.store = store
        self.asked = 0
        get = store.get

        def counted(name: str) -> object:
            self.asked += 1
            return get(name)

        store.get = counted
