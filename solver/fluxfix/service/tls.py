"""Certificates: who the server is, and whose clients it takes."""

import ssl
from dataclasses import dataclass
from pathlib import Path

import grpc

from fluxfix.errors import InputFileError


@dataclass(frozen=True)
class Tls:
    """Files in PEM form.

    Attributes:
        certificate: of the server, followed by those that vouch for it.
        key: that belongs to the certificate, without a pass phrase.
        client_ca: certificates of who may vouch for clients; given, a client without a certificate is turned away.
    """

    certificate: Path
    key: Path
    client_ca: Path | None = None


def credentials_of(tls: Tls) -> grpc.ServerCredentials:
    """Read the files, and check that they belong together: gRPC itself would not tell what is wrong with them.

    Raises:
        InputFileError: a file cannot be read, is not PEM, or the key does not belong to the certificate.
    """
    certificate, key = _read(tls.certificate), _read(tls.key)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        context.load_cert_chain(tls.certificate, tls.key, password=_no_pass_phrase)
    except (ssl.SSLError, ValueError) as error:
        reason = getattr(error, "reason", None) or error
        raise InputFileError(
            f"cannot use certificate {tls.certificate} with key {tls.key} ({reason}): give two PEM files that belong "
            "together, the key without a pass phrase",
            certificate=str(tls.certificate),
            key=str(tls.key),
        ) from None
    if tls.client_ca is None:
        return grpc.ssl_server_credentials([(key, certificate)])
    authority = _read(tls.client_ca)
    try:
        context.load_verify_locations(tls.client_ca)
    except ssl.SSLError as error:
        raise InputFileError(
            f"cannot use {tls.client_ca} ({error.reason}): give the PEM certificate of who vouches for clients",
            client_ca=str(tls.client_ca),
        ) from None
    return grpc.ssl_server_credentials([(key, certificate)], authority, require_client_auth=True)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputFileError(f"cannot read {path} ({error.strerror}): name a PEM file", path=str(path)) from None


def _no_pass_phrase() -> str:
    """Answer what OpenSSL would ask the terminal for."""
    return ""
