"""Encryption, and who may connect."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import grpc
import pytest

from fluxfix.errors import ArgumentError, InputFileError, ServiceError
from fluxfix.service import Settings, Tls, create_server, running
from service.certificates import Authority, Pair, authority
from service.fakes import store_of
from service.wire import solve

ANYWHERE = "0.0.0.0:0"
DOF = 1  # of a fix from the three values of a reading and two joints


@pytest.fixture(scope="module")
def ours(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    """An authority that both sides know."""
    return authority(tmp_path_factory.mktemp("ours"))


@pytest.fixture(scope="module")
def server(ours: Authority) -> Pair:
    """The server's certificate."""
    return ours.pair("server")


@pytest.fixture(scope="module")
def mutual(ours: Authority, server: Pair, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a service that takes only clients with a certificate of ours."""
    settings = Settings(tls=server.server(ours.certificate))
    with running(store_of(tmp_path_factory.mktemp("rigs"), stick='name = "stick"'), settings=settings) as service:
        yield service.address


def connected(address: str, credentials: grpc.ChannelCredentials) -> bool:
    """Try to solve over a connection of its own; tell whether the two sides have come together."""
    with grpc.secure_channel(address, credentials) as channel:
        try:
            return solve(channel).fix.dof == DOF
        except grpc.RpcError as error:
            assert error.code() is grpc.StatusCode.UNAVAILABLE  # noqa: PT017 both ways are right
            return False


def test_calls_are_encrypted(ours: Authority, server: Pair, tmp_path: Path) -> None:
    """A client that trusts the authority is answered; one that speaks in plain text is not."""
    store = store_of(tmp_path, stick='name = "stick"')
    with running(store, settings=Settings(tls=server.server())) as service:
        assert connected(service.address, ours.trusted())
        with grpc.insecure_channel(service.address) as plain, pytest.raises(grpc.RpcError):
            solve(plain)
        assert connected(service.address, ours.trusted())


def test_client_proves_who_it_is(ours: Authority, mutual: str) -> None:
    """With an authority for clients, a certificate of it is needed."""
    assert connected(mutual, ours.trusted(ours.pair("client")))
    assert not connected(mutual, ours.trusted())


@pytest.mark.parametrize("wrong", ["expired", "of another authority"])
def test_client_with_a_wrong_certificate_is_turned_away(
    ours: Authority, mutual: str, tmp_path: Path, wrong: str
) -> None:
    """An expired certificate, and one that somebody else vouches for, open nothing; the server stays up."""
    client = ours.pair("old", days=-1) if wrong == "expired" else authority(tmp_path, "others").pair("stranger")

    assert not connected(mutual, ours.trusted(client))
    assert connected(mutual, ours.trusted(ours.pair("next")))


def test_expired_certificate_of_the_server_is_not_believed(ours: Authority, tmp_path: Path) -> None:
    """A client turns away from a server whose time is over."""
    settings = Settings(tls=ours.pair("stale", days=-1).server())
    with running(store_of(tmp_path, stick='name = "stick"'), settings=settings) as service:
        assert not connected(service.address, ours.trusted())


def test_network_needs_a_certificate_or_a_word(server: Pair, tmp_path: Path) -> None:
    """Beyond loopback the service listens encrypted, or where that was said to be needless."""
    store = store_of(tmp_path)
    with pytest.raises(ServiceError, match="--insecure-network"):
        create_server(store, ANYWHERE)
    for settings in (Settings(tls=server.server()), Settings(insecure_network=True)):
        create_server(store, ANYWHERE, settings).stop(0)
    with pytest.raises(ArgumentError, match="leave the other out"):
        Settings(tls=server.server(), insecure_network=True)
    with pytest.raises(ServiceError, match="digits are needed"):
        create_server(store, "example.org:0", Settings(insecure_network=True))


def test_files_that_do_not_fit_are_named(ours: Authority, server: Pair, tmp_path: Path) -> None:
    """A missing file, a file of another kind and a foreign key are told before anything listens."""
    text = tmp_path / "text.pem"
    text.write_text("no certificate", encoding="utf-8")
    other = ours.pair("other")
    for wrong, said in (
        (Tls(tmp_path / "nowhere.pem", server.key), "nowhere.pem"),
        (Tls(text, server.key), "text.pem"),
        (Tls(server.certificate, other.key), "belong together"),
        (Tls(server.certificate, server.key, text), "vouches for clients"),
    ):
        with pytest.raises(InputFileError, match=said):
            create_server(store_of(tmp_path), "127.0.0.1:0", Settings(tls=wrong))


def test_key_with_a_pass_phrase_is_refused(server: Pair, tmp_path: Path) -> None:
    """Nobody is asked for a pass phrase; the sentence says that the key must have none."""
    locked = tmp_path / "locked.key"
    words = ["openssl", "ec", "-in", server.key, "-aes128", "-passout", "pass:secret", "-out", locked]
    subprocess.run(words, check=True, capture_output=True)
    with pytest.raises(InputFileError, match="without a pass phrase"):
        create_server(store_of(tmp_path), "127.0.0.1:0", Settings(tls=Tls(server.certificate, locked)))
