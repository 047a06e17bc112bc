"""Bearer tokens with roles: the server knows only their hashes."""

import hashlib
import hmac
import re
import secrets
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import grpc

from fluxfix.errors import ArgumentError, InputFileError
from fluxfix.service.limits import Refusal
from fluxfix.service.methods import Role

_HEADER = "authorization"
_SCHEME = "bearer "
_KEYS = {"name", "sha256", "roles"}
_BYTES = 32
_ROLES = ", ".join(Role)


@dataclass(frozen=True)
class Token:
    """What is known of one token: who holds it, the SHA-256 of its text, and what it allows."""

    name: str
    digest: bytes
    roles: frozenset[Role]


class Tokens:
    """Every token that a server accepts."""

    def __init__(self, tokens: Sequence[Token]) -> None:
        self._tokens = tuple(tokens)

    def holder(self, metadata: Iterable[tuple[str, str | bytes]]) -> Token | Refusal:
        """Find whose token a call carries in its metadata, as `authorization: Bearer TOKEN`."""
        given = next((value for key, value in metadata if key == _HEADER), None)
        if given is None:
            return _unknown("TOKEN_MISSING", "got no token, one is needed: send metadata `authorization: Bearer TOKEN`")
        text = given.decode("ascii", "replace") if isinstance(given, bytes) else given
        if text[: len(_SCHEME)].lower() != _SCHEME:
            return _unknown("TOKEN_MISSING", "got authorization of another scheme: send `authorization: Bearer TOKEN`")
        digest = _digest(text[len(_SCHEME) :].strip())
        found = None
        for token in self._tokens:  # every one, so that the time tells nothing
            if hmac.compare_digest(token.digest, digest):
                found = token
        return found or _unknown("TOKEN_UNKNOWN", "got a token that is not known here: ask for one, or check its text")


def missing_role(token: Token, role: Role) -> Refusal:
    """The token is known, but does not allow this."""
    held = ", ".join(sorted(token.roles))
    return Refusal(
        grpc.StatusCode.PERMISSION_DENIED,
        "ROLE_MISSING",
        f"got the token of {token.name} with role {held}, this method needs {role}: use a token that has it",
        {"token": token.name, "role": str(role)},
    )


def read_tokens(path: Path) -> Tokens:
    """Read a file of tokens: TOML, a `[[token]]` each, with `name`, `sha256` and `roles`.

    Raises:
        InputFileError: it cannot be read, or its content is not that.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputFileError(f"cannot read tokens {path} ({error.strerror}): name a file that exists") from None
    except ValueError as error:
        raise InputFileError(f"{path}: got no TOML ({error}): correct that place") from None
    entries = content.get("token")
    if set(content) != {"token"} or not isinstance(entries, list) or not all(isinstance(one, dict) for one in entries):
        raise InputFileError(f"{path}: one or more [[token]] are needed, and nothing else: make one with --new-token")
    tokens = [_token(path, number, entry) for number, entry in enumerate(entries, 1)]
    for what, values in (("name", [one.name for one in tokens]), ("sha256", [one.digest for one in tokens])):
        if len(set(values)) != len(values):
            raise InputFileError(f"{path}: got two tokens with one {what}, each needs its own: remove one")
    return Tokens(tokens)


def new_token(text: str) -> tuple[str, str]:
    """Make a token.

    Args:
        text: who will hold it, and the roles: "line-3=read,solve".

    Returns:
        The token, which is written nowhere, and its entry for the file of tokens.

    Raises:
        ArgumentError: the text has another form.
    """
    name, _, roles = text.partition("=")
    listed = roles.split(",")
    if not _is_name(name) or not listed or not set(listed) <= set(Role) or len(set(listed)) != len(listed):
        raise ArgumentError(
            f"got {text!r}, a name and roles of {_ROLES} are needed: give for example line-3=read,solve", token=text
        )
    token = secrets.token_urlsafe(_BYTES)
    quoted = ", ".join(f'"{role}"' for role in listed)
    return token, f'[[token]]\nname = "{name}"\nsha256 = "{_digest(token).hex()}"\nroles = [{quoted}]\n'


def _token(path: Path, number: int, entry: dict[str, Any]) -> Token:
    name, sha256, roles = (entry.get(key) for key in ("name", "sha256", "roles"))
    where = f"{path}: token {number}"
    if set(entry) != _KEYS:
        raise InputFileError(
            f"{where}: got keys {', '.join(sorted(entry)) or 'none'}, name, sha256 and roles are needed"
        )
    if not isinstance(name, str) or not _is_name(name):
        raise InputFileError(f"{where}: got name {name!r}, letters, digits and dashes are allowed: choose another")
    if not isinstance(sha256, str) or re.fullmatch(r"[0-9a-f]{64}", sha256) is None:
        raise InputFileError(
            f"{where}: sha256 has 64 hexadecimal digits, of the token's text: make one with --new-token"
        )
    if not isinstance(roles, list) or not roles or not all(role in set(Role) for role in roles):
        raise InputFileError(f"{where}: got roles {roles!r}, a list of {_ROLES} is needed: correct it")
    return Token(name, bytes.fromhex(sha256), frozenset(Role(role) for role in roles))


def _is_name(text: str) -> bool:
    return re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9.-]{0,62}", text) is not None


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


def _unknown(reason: str, message: str) -> Refusal:
    return Refusal(grpc.StatusCode.UNAUTHENTICATED, reason, message)
