"""Certificates for tests, made by the openssl command."""

import subprocess
from dataclasses import dataclass
from pathlib import Path

import grpc

from fluxfix.service import Tls

_KEY = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]
_NAMES = "subjectAltName=IP:127.0.0.1,DNS:localhost\n"


@dataclass(frozen=True)
class Pair:
    """A certificate and its key, in PEM files."""

    certificate: Path
    key: Path

    def server(self, client_ca: Path | None = None) -> Tls:
        """Give what a server is told."""
        return Tls(self.certificate, self.key, client_ca)


@dataclass(frozen=True)
class Authority:
    """Somebody who vouches for others."""

    folder: Path
    name: str

    @property
    def certificate(self) -> Path:
        """What others know of it."""
        return self.folder / f"{self.name}.pem"

    def pair(self, name: str, days: int = 1) -> Pair:
        """Make a certificate for 127.0.0.1; with negative days it has expired."""
        request, names, made = (self.folder / f"{name}.{end}" for end in ("csr", "ext", "pem"))
        key = self.folder / f"{name}.key"
        names.write_text(_NAMES, encoding="utf-8")
        _openssl("req", *_KEY, "-keyout", key, "-out", request, "-subj", f"/CN={name}")
        signed = ["-CA", self.certificate, "-CAkey", self.folder / f"{self.name}.key", "-CAcreateserial"]
        _openssl("x509", "-req", "-in", request, *signed, "-days", str(days), "-extfile", names, "-out", made)
        return Pair(made, key)

    def trusted(self, client: Pair | None = None) -> grpc.ChannelCredentials:
        """Give the credentials of a client who trusts this authority, with a certificate of its own or without."""
        own = (None, None) if client is None else (client.key.read_bytes(), client.certificate.read_bytes())
        return grpc.ssl_channel_credentials(self.certificate.read_bytes(), *own)


def authority(folder: Path, name: str = "authority") -> Authority:
    """Make somebody who vouches for others."""
    made = Authority(folder, name)
    _openssl("req", "-x509", *_KEY, "-keyout", folder / f"{name}.key", "-out", made.certificate, "-subj", f"/CN={name}")
    return made


def _openssl(*words: str | Path) -> None:
    subprocess.run(["openssl", *words], check=True, capture_output=True)
