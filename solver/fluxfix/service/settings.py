"""How a service is to be run, beside what it serves."""

from dataclasses import dataclass, field
from pathlib import Path

import grpc

from fluxfix.errors import ArgumentError, ServiceError
from fluxfix.service import address as addresses
from fluxfix.service import auth
from fluxfix.service.limits import Limits
from fluxfix.service.tls import Tls, credentials_of


@dataclass(frozen=True)
class Settings:
    """Defaults serve loopback, unencrypted, to everybody on this machine.

    Attributes:
        tls: certificates; without them calls are not encrypted.
        insecure_network: whether to listen unencrypted where other machines reach it.
        tokens: a file of tokens; without it every caller has every role.
        limits: what the server takes on.
        metrics: loopback address where Prometheus finds its numbers; none by default.
        telemetry: whether to send traces and times by OpenTelemetry, to where its environment variables say.
        shared_port: whether other servers may listen at the same port, which somebody has reserved for them.
    """

    tls: Tls | None = None
    insecure_network: bool = False
    tokens: Path | None = None
    limits: Limits = field(default_factory=Limits)
    metrics: str | None = None
    telemetry: bool = False
    shared_port: bool = False

    def __post_init__(self) -> None:
        if self.tls is not None and self.insecure_network:
            raise ArgumentError("got both certificates and insecure_network, one is needed: leave the other out")

    def listening_at(self, text: str) -> addresses.Address:
        """Read an address, and refuse it where it would be open to others without protection.

        Raises:
            ArgumentError: it has another form.
            ServiceError: it is not loopback, and neither encrypted nor declared safe; or tokens would cross a network
                in plain text.
        """
        address = addresses.parse(text, network=self.tls is not None or self.insecure_network)
        if self.tokens is not None and self.tls is None and not address.loopback:
            raise ServiceError(
                f"got tokens for address {text!r} without a certificate, which would send them in plain text: "
                "give --tls-certificate and --tls-key, or listen at loopback",
                address=text,
            )
        return address

    def credentials(self) -> grpc.ServerCredentials | None:
        """Give what encrypts; none without certificates."""
        return None if self.tls is None else credentials_of(self.tls)

    def known_tokens(self) -> auth.Tokens | None:
        """Read the tokens; none without a file of them."""
        return None if self.tokens is None else auth.read_tokens(self.tokens)
