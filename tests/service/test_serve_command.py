"""`fluxfix serve` as it is typed."""

import json
import signal
import subprocess
import sys
import tomllib
from pathlib import Path

import grpc
import pytest

from fluxfix.cli.run import run
from fluxfix_client.v1 import rig_service_pb2 as rigs
from fluxfix_client.v1.rig_service_pb2_grpc import RigServiceStub
from service.certificates import authority
from service.wire import WAIT_S, refused

FLUXFIX = Path(sys.executable).with_name("fluxfix")
STOPPED = 130


def test_workers_serve_with_tokens_over_tls(tmp_path: Path) -> None:
    """Two processes, a certificate and a token: calls with it are answered, Ctrl-C ends all, the log is JSON lines."""
    folder = tmp_path / "rigs"
    folder.mkdir()
    (folder / "broken.toml").write_text("= =", encoding="utf-8")  # nothing to compile
    ours = authority(tmp_path)
    server = ours.pair("server")
    made = subprocess.run([FLUXFIX, "serve", "--new-token", "line=read"], capture_output=True, text=True, check=True)
    tokens = tmp_path / "tokens.toml"
    tokens.write_text(made.stdout, encoding="utf-8")
    token = made.stderr.split()[-1]
    options = ["--rigs", folder, "--address", "127.0.0.1:0", "--workers", "2", "--log", "json", "--tokens", tokens]
    encryption = ["--tls-certificate", server.certificate, "--tls-key", server.key]
    with subprocess.Popen([FLUXFIX, "serve", *options, *encryption], stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        said = []
        for line in process.stderr:
            said.append(line)
            if line.startswith("serving"):
                break
        address = said[-1].split(" at ")[1].split(";")[0]
        with grpc.secure_channel(address, ours.trusted()) as channel:
            stub = RigServiceStub(channel)
            assert refused(stub.ListRigs, rigs.ListRigsRequest())[1] == "TOKEN_MISSING"
            metadata = (("authorization", f"Bearer {token}"),)
            assert not stub.ListRigs(rigs.ListRigsRequest(), metadata=metadata, timeout=WAIT_S).rigs
        process.send_signal(signal.SIGINT)
        rest = process.stderr.read().splitlines()
        assert process.wait(WAIT_S) == STOPPED
    *lines, last = said[:-1] + rest
    assert last == "fluxfix: stopped"
    assert all(json.loads(line)["level"] in {"INFO", "WARNING"} for line in lines)
    assert token not in "".join(said + rest)


def test_new_token_is_an_entry(capsys: pytest.CaptureFixture[str]) -> None:
    """The entry goes to standard output, ready for the file; the token is told beside it."""
    assert run(["serve", "--new-token", "line-3=read,solve"]) == 0
    printed = capsys.readouterr()
    (entry,) = tomllib.loads(printed.out)["token"]

    assert (entry["name"], entry["roles"]) == ("line-3", ["read", "solve"])
    assert printed.err.startswith("the token, shown this once: ")


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--address", "0.0.0.0:0"], "--insecure-network"),
        (["--tls-key", "key.pem"], "--tls-certificate and --tls-key together"),
        (["--client-ca", "ca.pem"], "--tls-certificate and --tls-key together"),
        (["--tokens", "nowhere.toml"], "nowhere.toml"),
        (["--metrics-address", "0.0.0.0:0"], "only loopback"),
        (["--workers", "2", "--tokens", "nowhere.toml"], "nowhere.toml"),
        (["--workers", "2", "--address", "0.0.0.0:0"], "--insecure-network"),
        (["--workers", "0"], "--workers"),
        (["--new-token", "line"], "line-3=read,solve"),
    ],
)
def test_mistake_is_said_before_anything_listens(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], said: str
) -> None:
    """Exit code 2, and one sentence."""
    (tmp_path / "broken.toml").write_text("= =", encoding="utf-8")

    assert run(["serve", "--rigs", str(tmp_path), *options]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert len(error.splitlines()) == 1
