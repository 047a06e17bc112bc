"""The Python client against a real service on loopback."""

import asyncio
from collections.abc import Iterator
from concurrent import futures
from dataclasses import replace
from pathlib import Path

import grpc
import numpy as np
import pytest

from fluxfix.service import RigStore, Service, running
from fluxfix_client import (
    AsyncClient,
    Client,
    DeadlineError,
    Fixes,
    FluxfixClientError,
    InvalidArgumentError,
    Joint,
    NotFoundError,
    UnavailableError,
)
from fluxfix_client.v1 import rig_service_pb2
from service.fakes import ALL_FIELDS, FakeRig, Gate, load, store_of

PIECE = 4096  # readings that the client puts into one message
ROUND_OFF = 4 * np.finfo(float).eps  # one root, one square


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Rig files: three rigs of one to three joints, and a broken one."""
    folder = tmp_path_factory.mktemp("rigs")
    texts = {f"rig-{d}": f'name = "rig-{d}"\njoints = {d}\n' for d in (1, 2, 3)}
    store_of(folder, broken='name = "bent"\nbroken = 1', **texts)
    return folder


@pytest.fixture(scope="module")
def service(folder: Path) -> Iterator[Service]:
    """A running service."""
    with running(RigStore(folder, load)) as service:
        yield service


@pytest.fixture(scope="module")
def client(service: Service) -> Iterator[Client]:
    """A connected client."""
    with Client(service.address) as client:
        yield client


def in_process(folder: Path, d: int) -> FakeRig:
    """Load the rig that the service has, here."""
    return load(folder / f"rig-{d}.toml")


def readings(n: int, seed: int) -> np.ndarray:
    """Draw readings, some of which are ambiguous and some not finite."""
    rows = np.random.default_rng(seed).normal(0, 30, (n, 3))
    rows[::7, 1] = np.nan
    rows[3::11, 2] = np.inf
    return rows


def assert_same(got: Fixes, expected: object) -> None:
    """Compare every array: shape, type and bits, NaN included."""
    for name in ALL_FIELDS:
        ours, theirs = np.asarray(getattr(got, name)), np.asarray(getattr(expected, name))
        assert ours.dtype == theirs.dtype, name
        np.testing.assert_array_equal(ours, theirs, err_msg=name, strict=True)


@pytest.mark.parametrize("d", [1, 2, 3])
@pytest.mark.parametrize("n", [0, 1, 50, PIECE, 2 * PIECE + 5])
def test_batch_gives_what_the_rig_gives_in_process(client: Client, folder: Path, d: int, n: int) -> None:
    """Every number of every fix arrives bit for bit, for batches of one message and of several."""
    rows = readings(n, seed=d)

    assert_same(client.solve(f"rig-{d}", rows), in_process(folder, d).solve(rows))


@pytest.mark.parametrize("d", [1, 2, 3])
def test_one_reading_gives_what_the_rig_gives_in_process(client: Client, folder: Path, d: int) -> None:
    """One reading gives a fix without the leading axis, ambiguous and not measured ones too."""
    for row in readings(40, seed=4):
        assert_same(client.solve(f"rig-{d}", row), in_process(folder, d).solve(row))


@pytest.mark.parametrize("shape", [(3,), (4, 3)])
@pytest.mark.parametrize("noise", [None, 0.2, np.float64(0.2), [0.1, 0.2, 0.4]])
@pytest.mark.parametrize("exact", [False, True])
def test_options_reach_the_rig(
    client: Client, folder: Path, shape: tuple[int, ...], noise: object, exact: bool
) -> None:
    """Noise, one value or one a column, and the choice of model act as they do in process."""
    rows = np.random.default_rng(5).normal(0, 30, shape)

    assert_same(client.solve("rig-2", rows, noise, exact), in_process(folder, 2).solve(rows, noise, exact))


@pytest.mark.parametrize(
    "rows",
    [
        [[1, 2, 3], [4, 5, 6]],
        np.array([[1, 2, 3], [4, 5, 6]], dtype=np.float32),
        np.array([[1.0, 4.0], [2.0, 5.0], [3.0, 6.0]]).T,
        np.array([[1, 2, 3], [4, 5, 6]], dtype=">f8"),
    ],
)
def test_readings_may_come_in_any_form_of_numbers(client: Client, folder: Path, rows: object) -> None:
    """Lists, other float types, other layouts and byte orders mean the same numbers."""
    expected = in_process(folder, 2).solve(np.array([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]]))

    assert_same(client.solve("rig-2", rows), expected)


def test_status_is_told_in_words(client: Client) -> None:
    """Each fix has its words, in a list also where there is one."""
    fixes = client.solve("rig-1", [[1, 2, 3], [60, 2, 3], [np.nan, 2, 3]])

    assert fixes.status_words == ["OK", "AMBIGUOUS", "NOT_MEASURED"]
    assert client.solve("rig-1", [60, 2, 3]).status_words == ["AMBIGUOUS"]


def test_standard_deviation_is_the_root_of_the_variance(client: Client) -> None:
    """The sd of each joint is told for many readings and for one."""
    fixes = client.solve("rig-2", [[1, 2, 3], [4, 5, 6]])

    np.testing.assert_allclose(fixes.sd**2, fixes.covariance[:, [0, 1], [0, 1]], rtol=ROUND_OFF, strict=True)
    assert client.solve("rig-2", [1, 2, 3]).sd.shape == (2,)


def test_rigs_are_listed_and_described(client: Client, folder: Path) -> None:
    """The listing leaves the text out, a single rig has it."""
    listed = client.rigs()
    rig = client.rig("rig-3")

    assert [each.name for each in listed] == ["rig-1", "rig-2", "rig-3"]
    assert rig == replace(listed[2], text=in_process(folder, 3).text)
    assert rig.joints == (
        Joint("tilt-x", "revolute", "deg", -18.0, 18.0, wraps=False),
        Joint("travel", "prismatic", "mm", -15.0, 15.0, wraps=False),
        Joint("turn", "revolute", "deg", 0.0, 360.0, wraps=True),
    )
    assert rig.columns == ("board.x_mT", "board.y_mT", "board.z_mT")
    assert rig.sha256 == in_process(folder, 3).sha256
    assert rig.calibrated


def test_listing_goes_on_over_pages(tmp_path: Path) -> None:
    """More rigs than one page holds are all listed."""
    names = [f"rig-{number:03}" for number in range(120)]
    with (
        running(store_of(tmp_path, **{name: f'name = "{name}"' for name in names})) as service,
        Client(service.address) as client,
    ):
        assert [rig.name for rig in client.rigs()] == names


def test_unknown_rig_is_not_found(client: Client) -> None:
    """The error carries the service's sentence, its reason and its numbers, and is a LookupError too."""
    with pytest.raises(NotFoundError, match="nowhere") as caught:
        client.solve("nowhere", [1, 2, 3])

    assert (caught.value.code, caught.value.reason) == ("NOT_FOUND", "RIG_NOT_FOUND")
    assert caught.value.metadata == {"rig": "nowhere"}
    assert isinstance(caught.value, LookupError)


def test_broken_rig_file_says_what_is_wrong(client: Client) -> None:
    """The sentence of the rig file's reader reaches the caller."""
    with pytest.raises(FluxfixClientError, match="got key broken") as caught:
        client.rig("bent")

    assert caught.value.reason == "RIG_FILE_INVALID"


@pytest.mark.parametrize(
    ("rows", "reason"),
    [
        ([1, 2], "READING_INVALID"),
        ([[1, 2], [3, 4]], "READING_INVALID"),
        (np.zeros((5, 0)), "READING_INVALID"),
        (1.0, "READING_INVALID"),
        (np.zeros((1, 1, 3)), "READING_INVALID"),
        (["x", "y", "z"], "READING_INVALID"),
        ([[1, 2, 3], [4, 5]], "READING_INVALID"),
    ],
)
def test_readings_of_wrong_shape_are_refused(client: Client, rows: object, reason: str) -> None:
    """Wrong lengths, axes and types are told in one sentence, whether client or service finds them."""
    with pytest.raises(InvalidArgumentError) as caught:
        client.solve("rig-2", rows)

    assert caught.value.reason == reason


@pytest.mark.parametrize("noise", [-1.0, np.nan, [0.1, 0.1], "loud"])
def test_noise_that_makes_no_sense_is_refused(client: Client, noise: object) -> None:
    """Noise is finite, at least 0, and one value or one a column."""
    with pytest.raises(InvalidArgumentError) as caught:
        client.solve("rig-2", [1, 2, 3], noise_mT=noise)

    assert caught.value.reason == "NOISE_INVALID"


def test_missing_service_is_told_with_its_address(folder: Path) -> None:
    """Where nothing listens the error says what to do, and is a ConnectionError too."""
    with running(RigStore(folder, load)) as service:
        pass
    with Client(service.address) as client, pytest.raises(UnavailableError, match="fluxfix serve") as caught:
        client.rigs()

    assert service.address in str(caught.value)
    assert isinstance(caught.value, ConnectionError)


def test_late_answer_is_a_deadline_error(tmp_path: Path) -> None:
    """A call ends when its time is over, while the service still computes."""
    gate = Gate()
    store_of(tmp_path, stick='name = "stick"')
    store = RigStore(tmp_path, lambda path: replace(load(path), before_solve=gate))
    with running(store) as service, Client(service.address, timeout_s=0.2) as client:
        with pytest.raises(DeadlineError, match=r"within 0\.2 s"):
            client.solve("stick", [1, 2, 3])
        gate.opened.set()


def test_call_is_repeated_while_the_service_is_out_of_reach() -> None:
    """Two refusals as UNAVAILABLE are followed by a third try, whose answer the caller gets."""
    tries = []

    def list_rigs(request: object, context: grpc.ServicerContext) -> rig_service_pb2.ListRigsResponse:
        tries.append(request)
        if len(tries) < 3:
            context.abort(grpc.StatusCode.UNAVAILABLE, "not now")
        return rig_service_pb2.ListRigsResponse(rigs=[rig_service_pb2.Rig(name="rigs/late")])

    server = grpc.server(futures.ThreadPoolExecutor(1))
    handler = grpc.unary_unary_rpc_method_handler(
        list_rigs,
        rig_service_pb2.ListRigsRequest.FromString,
        rig_service_pb2.ListRigsResponse.SerializeToString,
    )
    server.add_registered_method_handlers("fluxfix.v1.RigService", {"ListRigs": handler})
    server.add_generic_rpc_handlers(
        (grpc.method_handlers_generic_handler("fluxfix.v1.RigService", {"ListRigs": handler}),)
    )
    port = server.add_insecure_port("127.0.0.1:0")
    server.start()
    with Client(f"127.0.0.1:{port}") as client:
        rigs = client.rigs()
    server.stop(None).wait()

    assert [rig.name for rig in rigs] == ["late"]
    assert len(tries) == 3


def test_threads_may_share_a_client(client: Client, folder: Path) -> None:
    """Calls of eight threads at once each get their own answer."""
    rows = readings(160, seed=6)
    with futures.ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda row: client.solve("rig-2", row), rows))

    expected = in_process(folder, 2).solve(rows)
    for answer, position in zip(answers, expected.position, strict=True):
        np.testing.assert_array_equal(answer.position, position)


def test_asyncio_client_gives_the_same(service: Service, client: Client) -> None:
    """Listing, describing, solving and failing are the same when awaited, many at a time."""
    rows = readings(2 * PIECE + 1, seed=7)

    async def talk() -> tuple[object, ...]:
        async with AsyncClient(service.address) as aio:
            missing = await asyncio.gather(aio.rig("nowhere"), return_exceptions=True)
            rigs, rig, many, one = await asyncio.gather(
                aio.rigs(), aio.rig("rig-2"), aio.solve("rig-2", rows), aio.solve("rig-2", rows[1], 0.2, True)
            )
            return rigs, rig, many, one, missing[0]

    rigs, rig, many, one, missing = asyncio.run(talk())

    assert rigs == client.rigs()
    assert rig == client.rig("rig-2")
    assert_same(many, client.solve("rig-2", rows))
    assert_same(one, client.solve("rig-2", rows[1], 0.2, True))
    assert isinstance(missing, NotFoundError)
    assert missing.reason == "RIG_NOT_FOUND"
