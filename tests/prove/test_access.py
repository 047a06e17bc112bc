"""Callers who may not: thousands of them are turned away with the right code, and nobody else notices."""

import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import grpc
import numpy as np
import pytest

from bench.record import About, Row
from bench.services import Running, fluxfix_serving
from fluxfix import shipped
from fluxfix.service.auth import new_token
from fluxfix_client.v1 import rig_service_pb2 as rigs
from fluxfix_client.v1 import solve_service_pb2 as solving
from fluxfix_client.v1.rig_service_pb2_grpc import RigServiceStub
from fluxfix_client.v1.solve_service_pb2_grpc import SolveServiceStub
from service.certificates import Authority, authority
from service.wire import reason_of

pytestmark = pytest.mark.prove

CALLS, HANDSHAKES = 20_000, 300
GROWTH = 1.10  # memory after the second half over memory after the first one
WAIT_S = 60.0
SEED = 173
RIG = "measured-scan"
READING = [1.0, 0.0, 20.0]
MESSAGE_BYTES = 4 * 2**20

NAME = "access"
ABOUT = About(
    what=f"`fluxfix serve` with a certificate, an authority for clients and tokens: {CALLS} calls in random order without a token, with an unknown one, with one that lacks the role, "
    f"with a message above the limit (1 in 50), and right ones; {HANDSHAKES} connections each with an expired certificate, with one of another authority, with none, and in plain text; "
    "memory of the server's process after the first and the second half of the calls",
    unit="count by outcome, MiB, 1 (ratio), ms",
    origin="random order of calls",
    seed=str(SEED),
    command="",
    cores=2,
)


@pytest.fixture(scope="module")
def ours() -> Iterator[Authority]:
    """An authority that both sides know."""
    with tempfile.TemporaryDirectory() as folder:
        yield authority(Path(folder))


@pytest.fixture(scope="module")
def tokens(ours: Authority) -> dict[str, str]:
    """A token for solving, and one that may only read; the server's file of them lies beside the certificates."""
    made = {name: new_token(f"{name}={name}") for name in ("solve", "read")}
    (ours.folder / "tokens.toml").write_text("".join(entry for _, entry in made.values()), encoding="utf-8")
    return {name: token for name, (token, _) in made.items()}


@pytest.fixture(scope="module")
def served(ours: Authority, tokens: dict[str, str]) -> Iterator[Running]:
    """A service that takes only clients with a certificate of ours and a token."""
    assert tokens
    server = ours.pair("server")
    options = ["--tls-certificate", server.certificate, "--tls-key", server.key, "--client-ca", ours.certificate]
    text = shipped.path(f"rigs/{RIG}.toml").read_text(encoding="utf-8")
    with fluxfix_serving({RIG: text}, *options, "--tokens", ours.folder / "tokens.toml") as served:
        yield served


def test_wrong_calls(served: Running, ours: Authority, tokens: dict[str, str], rows: list[Row]) -> None:
    """Each call has the code and the reason of its mistake; right ones among them are answered; memory returns."""
    rng = np.random.default_rng(SEED)
    right = solving.SolveReadingRequest(name=f"rigs/{RIG}", flux_density_millitesla=READING)
    large = solving.SolveReadingsRequest(name=f"rigs/{RIG}", count=1, flux_density_millitesla=bytes(MESSAGE_BYTES))
    credentials = ours.trusted(ours.pair("client"))
    seen: Counter[str] = Counter()
    memory, right_s = [], []
    with grpc.secure_channel(served.address, credentials) as channel:
        solver, keeper = SolveServiceStub(channel), RigServiceStub(channel)
        unknown, bearer = new_token("x=solve")[0], "authorization"
        kinds: list[tuple[str, Callable[[], object], str]] = [
            ("no token", lambda: solver.SolveReading(right, timeout=WAIT_S), "UNAUTHENTICATED TOKEN_MISSING"),
            ("unknown token", lambda: solver.SolveReading(right, timeout=WAIT_S, metadata=((bearer, f"Bearer {unknown}"),)), "UNAUTHENTICATED TOKEN_UNKNOWN"),
            ("role missing", lambda: solver.SolveReading(right, timeout=WAIT_S, metadata=((bearer, f"Bearer {tokens['read']}"),)), "PERMISSION_DENIED ROLE_MISSING"),
            ("role missing", lambda: keeper.ListRigs(rigs.ListRigsRequest(), timeout=WAIT_S, metadata=((bearer, f"Bearer {tokens['solve']}"),)), "PERMISSION_DENIED ROLE_MISSING"),
            ("right", lambda: solver.SolveReading(right, timeout=WAIT_S, metadata=((bearer, f"Bearer {tokens['solve']}"),)), "OK"),
            ("too large", lambda: solver.SolveReadings(large, timeout=WAIT_S, metadata=((bearer, f"Bearer {tokens['solve']}"),)), "RESOURCE_EXHAUSTED MESSAGE_TOO_LARGE"),
        ]  # fmt: skip
        for number in range(CALLS):
            kind, call, expected = kinds[5 if number % 50 == 0 else int(rng.integers(5))]
            begin = time.perf_counter()
            assert _outcome(call) == expected
            seen[kind] += 1
            if kind == "right":
                right_s.append(time.perf_counter() - begin)
            if number + 1 in {CALLS // 2, CALLS}:
                memory.append(served.resident_MiB())
    rows.append(
        {
            **{kind.replace(" ", "_"): count for kind, count in seen.items()},
            "memory_half_MiB": memory[0],
            "memory_end_MiB": memory[1],
            "growth": memory[1] / memory[0],
            "right_p99_ms": 1e3 * np.percentile(right_s, 99.0),
        }
    )

    assert memory[1] <= GROWTH * memory[0]


def test_wrong_certificates(served: Running, ours: Authority, tokens: dict[str, str], rows: list[Row]) -> None:
    """No connection is made with an expired certificate, a foreign one, none, or unencrypted; right ones are, after each."""
    (ours.folder / "others").mkdir()
    foreign = authority(ours.folder / "others")
    wrong = {
        "expired": ours.trusted(ours.pair("expired", days=-1)),
        "foreign": grpc.ssl_channel_credentials(
            ours.certificate.read_bytes(), *(path.read_bytes() for path in _files(foreign))
        ),
        "none": ours.trusted(),
        "plain": None,
    }
    good = ours.trusted(ours.pair("good"))
    turned_away: Counter[str] = Counter()
    before = served.resident_MiB()
    for _ in range(HANDSHAKES):
        for kind, credentials in wrong.items():
            assert _connected(served.address, credentials, tokens["solve"]) == "UNAVAILABLE"
            turned_away[kind] += 1
        assert _connected(served.address, good, tokens["solve"]) == "OK"
    after = served.resident_MiB()
    rows.append({**turned_away, "memory_before_MiB": before, "memory_after_MiB": after, "growth": after / before})

    assert after <= GROWTH * before


def _files(other: Authority) -> tuple[Path, Path]:
    pair = other.pair("client")
    return pair.key, pair.certificate


def _outcome(call: Callable[[], object]) -> str:
    try:
        call()
    except grpc.RpcError as error:
        return " ".join(reason_of(error)[:2])
    return "OK"


def _connected(address: str, credentials: grpc.ChannelCredentials | None, token: str) -> str:
    """Solve over a connection of its own; give the name of the code."""
    options = (("grpc.use_local_subchannel_pool", 1),)
    channel = (
        grpc.insecure_channel(address, options)
        if credentials is None
        else grpc.secure_channel(address, credentials, options)
    )
    request = solving.SolveReadingRequest(name=f"rigs/{RIG}", flux_density_millitesla=READING)
    with channel:
        try:
            SolveServiceStub(channel).SolveReading(
                request, timeout=WAIT_S, metadata=(("authorization", f"Bearer {token}"),)
            )
        except grpc.RpcError as error:
            return str(error.code().name)
    return "OK"
