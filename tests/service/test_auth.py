"""Tokens and what they allow."""

import hashlib
from collections.abc import Iterator
from pathlib import Path

import grpc
import pytest
from grpc_health.v1 import health_pb2, health_pb2_grpc

from fluxfix.errors import ArgumentError, InputFileError, ServiceError
from fluxfix.service import Settings, create_server, running
from fluxfix.service.auth import new_token, read_tokens
from fluxfix.service.methods import Role
from fluxfix_client.v1 import rig_service_pb2 as rigs
from fluxfix_client.v1.rig_service_pb2_grpc import RigServiceStub
from service.certificates import authority
from service.fakes import store_of
from service.wire import refused, solve

HOLDERS = {"reader": "read", "solver": "solve", "writer": "write", "both": "read,solve"}
LIST = rigs.ListRigsRequest()
DELETE = rigs.DeleteRigRequest(name="rigs/none")


def carrying(token: str) -> dict[str, tuple[tuple[str, str], ...]]:
    """Give the option of a call that carries a token."""
    return {"metadata": (("authorization", f"Bearer {token}"),)}


def written(path: Path, *holders: str) -> dict[str, str]:
    """Write a file of tokens, and give the tokens by holder."""
    made = {name: new_token(f"{name}={HOLDERS[name]}") for name in holders}
    path.write_text("\n".join(entry for _, entry in made.values()), encoding="utf-8")
    return {name: token for name, (token, _) in made.items()}


@pytest.fixture(scope="module")
def tokens(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """A file of tokens, and the tokens."""
    path = tmp_path_factory.mktemp("tokens") / "tokens.toml"
    return path, written(path, *HOLDERS)


@pytest.fixture(scope="module")
def channel(tokens: tuple[Path, dict[str, str]], tmp_path_factory: pytest.TempPathFactory) -> Iterator[grpc.Channel]:
    """A connection to a service that asks for tokens."""
    store = store_of(tmp_path_factory.mktemp("rigs"), stick='name = "stick"')
    with (
        running(store, settings=Settings(tokens=tokens[0])) as service,
        grpc.insecure_channel(service.address) as channel,
    ):
        yield channel


@pytest.mark.parametrize("holder", HOLDERS)
def test_each_role_opens_its_methods_and_no_others(
    channel: grpc.Channel, tokens: tuple[Path, dict[str, str]], holder: str
) -> None:
    """To list needs read, to solve needs solve, to delete needs write; no role includes another."""
    option = carrying(tokens[1][holder])
    stub = RigServiceStub(channel)
    calls = {
        "read": lambda **how: stub.ListRigs(LIST, **how),
        "solve": lambda **how: solve(channel, **how),
        "write": lambda **how: stub.DeleteRig(DELETE, **how),
    }
    for role, call in calls.items():
        if role not in HOLDERS[holder].split(","):
            assert refused(call, **option) == ("PERMISSION_DENIED", "ROLE_MISSING", {"token": holder, "role": role})
        elif role == "write":
            assert refused(call, **option)[1] != "ROLE_MISSING"  # there is no such rig
        else:
            call(**option)


@pytest.mark.parametrize(
    ("metadata", "reason"),
    [
        ((), "TOKEN_MISSING"),
        ((("authorization", "Basic dXNlcjpwYXNz"),), "TOKEN_MISSING"),
        ((("authorization", ""),), "TOKEN_MISSING"),
        ((("authorization", "Bearer "),), "TOKEN_UNKNOWN"),
        ((("authorization", "Bearer wrong"),), "TOKEN_UNKNOWN"),
    ],
)
def test_wrong_token_is_told_apart_from_none(
    channel: grpc.Channel, metadata: tuple[tuple[str, str], ...], reason: str
) -> None:
    """Both are UNAUTHENTICATED; what is not a token never reaches a method."""
    assert refused(solve, channel, metadata=metadata) == ("UNAUTHENTICATED", reason, {})


def test_hash_of_a_token_is_no_token(channel: grpc.Channel, tokens: tuple[Path, dict[str, str]]) -> None:
    """Who has read the file of tokens cannot call."""
    digest = hashlib.sha256(tokens[1]["solver"].encode()).hexdigest()

    assert refused(solve, channel, **carrying(digest))[1] == "TOKEN_UNKNOWN"


def test_health_is_answered_to_everybody(channel: grpc.Channel) -> None:
    """A balancer holds no token."""
    answer = health_pb2_grpc.HealthStub(channel).Check(health_pb2.HealthCheckRequest(), timeout=30)

    assert answer.status == health_pb2.HealthCheckResponse.SERVING


def test_file_holds_hashes_alone(tokens: tuple[Path, dict[str, str]]) -> None:
    """No token stands in the file, and its hash is SHA-256 (FIPS 180-4), as sha256sum gives it."""
    text = tokens[0].read_text(encoding="utf-8")
    for token in tokens[1].values():
        assert token not in text
        assert hashlib.sha256(token.encode()).hexdigest() in text
        assert len(token) >= 43  # 256 bits in base 64


def test_tokens_cross_a_network_only_encrypted(tokens: tuple[Path, dict[str, str]], tmp_path: Path) -> None:
    """With tokens a network needs a certificate, also where it was said to be trusted."""
    server = authority(tmp_path).pair("server").server()
    with pytest.raises(ServiceError, match="plain text"):
        create_server(store_of(tmp_path), "0.0.0.0:0", Settings(tokens=tokens[0], insecure_network=True))

    create_server(store_of(tmp_path), "0.0.0.0:0", Settings(tokens=tokens[0], tls=server)).stop(0)


GOOD = new_token("line=read")[1]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("= =", "no TOML"),
        ("", r"\[\[token\]\]"),
        ("token = 3", r"\[\[token\]\]"),
        (GOOD + "more = 1\n", "got keys more"),
        (GOOD.replace("read", "admin"), "roles"),
        (GOOD.replace('["read"]', "[]"), "roles"),
        (GOOD.replace("line", "a b"), "name"),
        (GOOD.replace('sha256 = "', 'sha256 = "f'), "64 hexadecimal digits"),
        (GOOD + GOOD, "one name"),
        (GOOD + GOOD.replace("line", "other"), "one sha256"),
    ],
)
def test_file_of_another_form_is_refused(tmp_path: Path, text: str, said: str) -> None:
    """What is wrong is said, and nothing is served with half a file."""
    path = tmp_path / "tokens.toml"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(InputFileError, match=said):
        read_tokens(path)


def test_missing_file_is_refused(tmp_path: Path) -> None:
    """A file of tokens that is not there does not open the service to everybody."""
    with pytest.raises(InputFileError, match="nowhere"):
        create_server(store_of(tmp_path), "127.0.0.1:0", Settings(tokens=tmp_path / "nowhere.toml"))


@pytest.mark.parametrize(
    "text", ["", "line", "line=", "=read", "a b=read", "line=read,", "line=admin", "line=read,read"]
)
def test_new_token_needs_name_and_roles(text: str) -> None:
    """The sentence shows the form."""
    with pytest.raises(ArgumentError, match="line-3=read,solve"):
        new_token(text)


def test_tokens_differ() -> None:
    """Two tokens are never the same."""
    assert len({new_token("line=read")[0] for _ in range(100)}) == 100
    assert {str(role) for role in Role} == {"read", "solve", "write"}
