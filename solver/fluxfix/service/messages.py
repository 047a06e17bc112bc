"""The messages of one stream of a caller, as a method takes them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Generic, TypeVar

Message = TypeVar("Message")


class Messages(Generic[Message]):
    """An iterator of messages that are taken apart one by one; an error comes to the method, not for the end.

    Unlike a generator it can be gone on with after an error, and a method can let others answer short messages.
    """

    def __init__(self, given: Iterator[bytes], parse: Callable[[bytes], Message]) -> None:
        """Name where the bytes come from, and what takes them apart."""
        self._given = given
        self._parse = parse

    def __iter__(self) -> Iterator[Message]:
        return self

    def __next__(self) -> Message:
        return self._parse(next(self._given))

    def answer_short(self, answer: Callable[[Message], bytes | None]) -> None:
        """Let short messages be answered as they come in, in the thread that everybody needs, from the next one on.

        Then the method gets what is left: long messages, and each error, as if it had asked for that message itself.
        Where nothing can answer so it gets all messages.

        Args:
            answer: of one message, or None, which leaves it to the method; it never waits, and takes well under a
                millisecond.
        """
        offer = getattr(self._given, "answer_short", None)
        if offer is not None:
            offer(lambda data: answer(self._parse(data)))
