"""Threads of which others come first, also while native code computes for them."""

import threading

LEAST = 256
"""Readings from which on solving takes longer than starting a thread."""

_here = threading.local()


def from_now_on() -> None:
    """Let a thread of its own, which comes last of all, compute the many readings that this thread asks for.

    Of a thread that comes last itself, whatever it holds is held for long: that is the interpreter each time native
    code has ended. So such a thread is better only a little behind others, and what it asks for far behind.
    """
    _here.aside = True


def wanted(count: int) -> bool:
    """Whether so many readings are to be solved in a thread of their own."""
    return count >= LEAST and getattr(_here, "aside", False)
