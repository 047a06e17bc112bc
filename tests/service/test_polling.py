"""Where gRPC reads what comes in."""

import os
import subprocess
import sys
from importlib import metadata

import pytest

from fluxfix.service import polling

# A connection to itself and one call, for which everything is used that the names choose.
PROGRAM = """
from concurrent.futures import ThreadPoolExecutor
from fluxfix.service import polling
polling.where_it_is_told()
import grpc

answer = grpc.unary_unary_rpc_method_handler(lambda request, _context: request)
server = grpc.server(ThreadPoolExecutor(1))
server.add_generic_rpc_handlers((grpc.method_handlers_generic_handler("a.B", {"C": answer}),))
port = server.add_insecure_port("127.0.0.1:0")
server.start()
with grpc.insecure_channel(f"127.0.0.1:{port}") as channel:
    print(channel.unary_unary("/a.B/C")(b"heard", timeout=30.0).decode())
server.stop(None).wait()
"""


def test_names_are_those_of_the_installed_version() -> None:
    """The library that is installed here is one of those tried, knows every name, and answers."""
    assert metadata.version("grpcio").rpartition(".")[0] in polling.KNOWN
    clean = {key: value for key, value in os.environ.items() if not key.startswith("GRPC_")}
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True, env=clean)

    assert (done.stdout, done.stderr) == ("heard\n", "")


def test_who_has_chosen_is_left_alone() -> None:
    """What somebody has set stays."""
    environment = {polling.NAME: "something"}
    polling.where_it_is_told(environment)

    assert environment == {polling.NAME: "something"}


def test_other_versions_are_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """A version that may not know the names is not told of them."""
    monkeypatch.setattr(polling, "KNOWN", ("0.1",))
    environment: dict[str, str] = {}
    polling.where_it_is_told(environment)

    assert environment == {}
