"""What long work leaves behind when it ends in an error: nothing."""

import gc
import threading
import weakref
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from fluxfix.service.errors import CancelledError
from fluxfix.service.long_work import Caller, steps

WAIT_S = 30.0


class Held:
    """Stands for what the work has computed."""


class Context:
    """Of a call that somebody else ends."""

    def __init__(self) -> None:
        self.end: Callable[[], None] = lambda: None

    def add_callback(self, callback: Callable[[], None]) -> bool:
        """Take note of what is to be called at the end."""
        self.end = callback
        return True


@pytest.fixture
def no_search() -> Iterator[None]:
    """Nobody looks for garbage."""
    gc.collect()
    gc.disable()
    yield
    gc.enable()


def _failed(work: Callable[[Caller], Any], context: Context, expected: type[Exception]) -> bool:
    """Take the steps of some work until it ends; whether with this error, of which nothing is kept."""
    try:
        for _ in steps(context, work):  # type: ignore[arg-type]  # what steps asks of a context it has
            context.end()
    except expected:
        return True
    return False


@pytest.mark.usefixtures("no_search")
@pytest.mark.parametrize("cancelled", [True, False])
def test_nothing_is_kept_of_work_that_failed(cancelled: bool) -> None:
    """What it had in hand is let go of at once, and not when somebody looks for garbage."""
    kept: list[weakref.ref[Held]] = []
    context, ended = Context(), threading.Event()

    def work(caller: Caller) -> None:
        held = Held()
        kept.append(weakref.ref(held))
        if not cancelled:
            raise ZeroDivisionError
        caller.report(0, 2)
        while not ended.is_set():  # until the call has ended
            caller.report(1, 2)

    assert _failed(work, context, CancelledError if cancelled else ZeroDivisionError)
    ended.set()
    assert kept[0]() is None
