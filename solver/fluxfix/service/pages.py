"""Listings page by page (AIP-158): the token holds the key of the last entry given."""

import base64
import binascii
from collections.abc import Callable, Sequence
from typing import TypeVar

from fluxfix.service.errors import RequestError

DEFAULT_SIZE = 50
MAX_SIZE = 200
T = TypeVar("T")


def page(size: int, token: str, entries: Sequence[T], key: Callable[[T], str]) -> tuple[list[T], str]:
    """Give one page, and the token of the next, empty on the last.

    Args:
        size: `page_size` of the request.
        token: `page_token` of the request.
        entries: all of them, by ascending key.
        key: of an entry.

    Raises:
        RequestError: size or token makes no sense.
    """
    if size < 0:
        raise RequestError(
            f"got page_size {size}, 0 to {MAX_SIZE} is allowed: send 0 for {DEFAULT_SIZE}",
            "page_size",
            "PAGE_SIZE_INVALID",
            page_size=size,
        )
    try:
        after = base64.b64decode(token.encode("ascii"), altchars=b"-_", validate=True).decode()
    except (ValueError, binascii.Error):
        raise RequestError(
            f"got page_token {token!r}, only a next_page_token is allowed: send the last one, or none",
            "page_token",
            "PAGE_TOKEN_INVALID",
            page_token=token,
        ) from None
    length = min(size or DEFAULT_SIZE, MAX_SIZE)
    rest = [entry for entry in entries if key(entry) > after]
    more = base64.urlsafe_b64encode(key(rest[length - 1]).encode()).decode("ascii") if len(rest) > length else ""
    return rest[:length], more
