"""`fluxfix serve`: rigs and fixes over gRPC."""

from __future__ import annotations

import signal
import sys
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fluxfix.cli.common import say

if TYPE_CHECKING:
    from fluxfix.service import Settings, Tls


class LogForm(StrEnum):
    """How a line of the log is written."""

    TEXT = "text"
    JSON = "json"


def command(
    rigs: Annotated[Path, typer.Option("--rigs", metavar="DIR", help="A folder of rig files.")] = Path(),
    address: Annotated[
        str,
        typer.Option(
            "--address",
            help="host:port; port 0 takes a free one. Beyond loopback with a certificate or --insecure-network.",
        ),
    ] = "127.0.0.1:50061",
    tls_certificate: Annotated[
        Path | None, typer.Option(metavar="PEM", help="Certificate of the server, and those that vouch for it.")
    ] = None,
    tls_key: Annotated[Path | None, typer.Option(metavar="PEM", help="Its key, without a pass phrase.")] = None,
    client_ca: Annotated[
        Path | None, typer.Option(metavar="PEM", help="Take only clients for whose certificate one of these vouches.")
    ] = None,
    insecure_network: Annotated[
        bool, typer.Option("--insecure-network", help="Listen unencrypted: every machine that reaches it is trusted.")
    ] = False,
    tokens: Annotated[
        Path | None, typer.Option(metavar="TOML", help="Take only calls that carry one of these tokens.")
    ] = None,
    new_token: Annotated[
        str, typer.Option(metavar="NAME=ROLES", help="Make a token, print its entry for --tokens, and leave.")
    ] = "",
    max_message_bytes: Annotated[int, typer.Option(min=1024, help="Size of one message.")] = 4 * 2**20,
    max_waiting_batches: Annotated[int, typer.Option(min=0, help="Batches that may wait for a thread.")] = 64,
    max_streams: Annotated[int, typer.Option(min=1, help="Streams open at a time.")] = 64,
    max_streams_per_peer: Annotated[int, typer.Option(min=1, help="Of them, held by one caller.")] = 16,
    max_deadline_s: Annotated[float, typer.Option(min=0.001, help="Longest deadline of a call, in s.")] = 3600.0,
    workers: Annotated[int, typer.Option(min=1, help="Processes that share the port.")] = 1,
    metrics_address: Annotated[
        str, typer.Option(help="host:port on loopback for Prometheus; worker K takes the port plus K.")
    ] = "",
    telemetry: Annotated[
        bool,
        typer.Option(
            "--telemetry", help="Send traces and times by OpenTelemetry, to where OTEL_EXPORTER_OTLP_ENDPOINT says."
        ),
    ] = False,
    log: Annotated[LogForm, typer.Option(help="How a line of the log is written.")] = LogForm.TEXT,
    worker: Annotated[int, typer.Option(hidden=True)] = -1,
) -> None:
    """Serve the rigs of a folder over gRPC until Ctrl-C or SIGTERM.

    Positions from it can move a machine: it is not certified for safety functions, and an answer may be late or
    missing at any time.
    """
    from fluxfix.errors import InputFileError
    from fluxfix.service import Limits, Settings, auth, logs
    from fluxfix.service.limits import LaneLimit

    if new_token:
        token, entry = auth.new_token(new_token)
        say(f"the token, shown this once: {token}")
        print(entry, end="")
        return
    if rigs.is_dir() and not any(rigs.glob("*.toml")):
        raise InputFileError(f"got {rigs}, which has no rig file (*.toml): name a folder of rigs with --rigs DIR")
    logs.set_up(log)
    limits = Limits(
        message_bytes=max_message_bytes,
        streams=max_streams,
        streams_per_peer=max_streams_per_peer,
        deadline_s=max_deadline_s,
        bulk=LaneLimit(threads=2, waiting=max_waiting_batches),
    )
    settings = Settings(
        tls=_tls(tls_certificate, tls_key, client_ca),
        insecure_network=insecure_network,
        tokens=tokens,
        limits=limits,
        metrics=metrics_address or None,
        telemetry=telemetry,
    )
    if worker >= 0:
        _serve_as_worker(rigs, address, settings, worker)
    elif workers > 1:
        _supervise(rigs, address, settings, workers)
    else:
        from fluxfix.service import serve

        serve(rigs, address, lambda where: _say_ready(rigs, where), settings)


def _tls(certificate: Path | None, key: Path | None, client_ca: Path | None) -> Tls | None:
    from fluxfix.errors import ArgumentError
    from fluxfix.service import Tls

    if certificate is not None and key is not None:
        return Tls(certificate, key, client_ca)
    if (certificate, key, client_ca) != (None, None, None):
        raise ArgumentError("got a part of what encrypts: give --tls-certificate and --tls-key together")
    return None


def _serve_as_worker(rigs: Path, address: str, settings: Settings, number: int) -> None:
    from fluxfix.service import address as addresses
    from fluxfix.service import serve, workers

    metrics = settings.metrics and str(addresses.parse(settings.metrics, network=True).shifted(number))
    workers.end_with_input()
    serve(
        rigs,
        address,
        lambda _where: print(workers.READY, flush=True),
        replace(settings, metrics=metrics, shared_port=True),
    )


def _supervise(rigs: Path, address: str, settings: Settings, count: int) -> None:
    """Check what the workers will be told, so that a mistake is said once, and run them with this command line."""
    from fluxfix.service import workers

    wanted = settings.listening_at(address)
    settings.credentials()
    settings.known_tokens()
    with workers.reserved(wanted) as held:
        program = [sys.executable, "-m", "fluxfix.cli", *sys.argv[1:], "--address", str(held)]
        commands = [[*program, "--worker", str(number)] for number in range(count)]
        number = workers.supervise(commands, lambda: _say_ready(rigs, str(held)))
    if number == signal.SIGINT:
        raise KeyboardInterrupt


def _say_ready(rigs: Path, where: str) -> None:
    say(f"serving the rigs of {rigs.resolve()} at {where}; Ctrl-C ends it")
