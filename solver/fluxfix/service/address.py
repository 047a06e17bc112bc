"""Where the service listens: reading an address, and telling early why it cannot be used."""

import ipaddress
import os
import socket
from dataclasses import dataclass, replace

from fluxfix.errors import ArgumentError, ServiceError

_FORMS = "127.0.0.1:50061, [::1]:50061 or localhost:50061, port 0 for a free one"


@dataclass(frozen=True)
class Address:
    """A host, as an address in digits, and a port; port 0 stands for any free one."""

    host: str
    port: int

    @property
    def loopback(self) -> bool:
        """Whether only this machine reaches it."""
        return ipaddress.ip_address(self.host).is_loopback

    def shifted(self, number: int) -> "Address":
        """Give the address with a port that is higher by a number; a free one stays a free one."""
        return replace(self, port=self.port + number if self.port else 0)

    def __str__(self) -> str:
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"


def parse(text: str, network: bool = False) -> Address:
    """Read "host:port"; an IPv6 host stands in square brackets, `localhost` is 127.0.0.1.

    Args:
        text: the address.
        network: whether an address that other machines can reach is taken too.

    Raises:
        ArgumentError: the text has another form.
        ServiceError: the host is not loopback, and only that is taken; or it is a name.
    """
    host, colon, port = text.rpartition(":")
    bracketed = host.startswith("[") and host.endswith("]")
    if not colon or not host or (":" in host and not bracketed):
        raise ArgumentError(f"got address {text!r}, host and port are needed: give {_FORMS}", address=text)
    if not (port.isascii() and port.isdigit()) or int(port) > 65535:
        raise ArgumentError(
            f"got port {port!r} in address {text!r}, 0 to 65535 is allowed: give {_FORMS}", address=text
        )
    host = "127.0.0.1" if host == "localhost" else host.removeprefix("[").removesuffix("]")
    address = Address(host, int(port))
    try:
        loopback = address.loopback
    except ValueError:
        loopback = False
        if network:
            raise ServiceError(
                f"got host {host!r} in address {text!r}, digits are needed: give its IP address, 0.0.0.0 for all",
                address=text,
            ) from None
    if not loopback and not network:
        raise ServiceError(
            f"got address {text!r}, only loopback is allowed, since calls are not encrypted: give {_FORMS}; or encrypt "
            "them with --tls-certificate and --tls-key; or say with --insecure-network that the network is trusted",
            address=text,
        )
    return address


def check_free(address: Address) -> None:
    """Try to bind the address for a moment, to learn the reason if that fails; gRPC itself would not tell it.

    Raises:
        ServiceError: the port is in use or may not be bound.
    """
    family = socket.AF_INET6 if ":" in address.host else socket.AF_INET
    try:
        with socket.socket(family) as probe:
            if (
                os.name == "posix"
            ):  # a port whose last connections still fade away is free; on Windows the option means another thing
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((address.host, address.port))
    except OSError as error:
        raise in_use(address, error.strerror or str(error)) from None


def in_use(address: Address, reason: str) -> ServiceError:
    """Make the error for an address that cannot be bound."""
    return ServiceError(
        f"cannot listen at {address} ({reason}): stop the program that holds the port, or choose another address",
        address=str(address),
        reason=reason,
    )
