"""The client's functions about rigs that change, and what every call shares: repetition, errors, tokens, addresses."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import grpc
import pytest

from fluxfix.service import RigStore
from fluxfix_client import (
    AccessError,
    AsyncClient,
    Client,
    ConflictError,
    ExhaustedError,
    FluxfixClientError,
    InvalidArgumentError,
    NotFoundError,
    Tls,
)
from fluxfix_client.channel import SAFE_METHODS, methods_of
from fluxfix_client.errors import from_rpc
from service.fakes import FakeWorks, serving, store_of

FIRST, SECOND = 'name = "stick"\n# 1\n', 'name = "stick"\n# 2\n'


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """A service with one rig."""
    with serving(store_of(tmp_path / "rigs", stick=FIRST), FakeWorks()) as address:
        yield address


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


@pytest.mark.parametrize("kind", [Client, AsyncClient])
def test_address_without_a_port_is_told_at_once(kind: type) -> None:
    """A host alone is no address: gRPC would try a port that nobody named."""
    with pytest.raises(InvalidArgumentError, match="got address 'bench-3', host:port is needed"):
        kind("bench-3")


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
