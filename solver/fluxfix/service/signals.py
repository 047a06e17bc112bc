"""Signals that end a program, told by a thread of their own."""

import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

STOPS = (signal.SIGTERM, signal.SIGINT)


@contextmanager
def stop_signals(tell: Callable[[int], None]) -> Iterator[None]:
    """Tell of SIGTERM and Ctrl-C by a call from another thread; at the end they act as before.

    A handler in Python runs in the main thread, and only once that runs: a signal that arrives in the instant before
    it begins to wait would not wake it. What the interpreter's own handler writes to a socket is never lost.
    """
    heard, spoken = socket.socketpair()
    spoken.setblocking(False)
    listener = threading.Thread(target=_listen, args=(heard, tell), daemon=True)
    before = {stop: signal.signal(stop, _leave_to_listener) for stop in STOPS}
    waking = signal.set_wakeup_fd(spoken.fileno())
    listener.start()
    try:
        yield
    finally:
        signal.set_wakeup_fd(waking)
        for stop, handler in before.items():
            signal.signal(stop, handler)
        spoken.close()
        listener.join()
        heard.close()


def _listen(heard: socket.socket, tell: Callable[[int], None]) -> None:
    while numbers := heard.recv(64):
        for number in numbers:
            if number in STOPS:
                tell(number)


def _leave_to_listener(_number: int, _frame: object) -> None:
    """Do nothing: without a handler the interpreter would write nothing."""
