"""Several servers of one port, each a process of its own, and one that looks after them."""

import logging
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from queue import SimpleQueue

from fluxfix.errors import ServiceError
from fluxfix.service import address as addresses
from fluxfix.service.address import Address
from fluxfix.service.signals import stop_signals

READY = "ready"
_SHORT_S, _LONG_S = 0.5, 30.0
"""Pauses before a worker that keeps failing is started again: the first, doubled each time, and the longest."""
_log = logging.getLogger(__name__)


@contextmanager
def reserved(wanted: Address) -> Iterator[Address]:
    """Hold a port for servers that share it, without listening; give the address with its true port.

    Raises:
        ServiceError: it is in use, or this system cannot share ports.
    """
    if not hasattr(socket, "SO_REUSEPORT"):
        raise ServiceError("this system cannot share a port among workers: leave --workers out")
    addresses.check_free(wanted)
    with socket.socket(socket.AF_INET6 if ":" in wanted.host else socket.AF_INET) as held:
        held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        try:
            held.bind((wanted.host, wanted.port))
        except OSError as error:  # taken since it was tried a moment ago
            raise addresses.in_use(wanted, error.strerror or str(error)) from None
        yield Address(wanted.host, held.getsockname()[1])


def supervise(commands: Sequence[Sequence[str]], on_ready: Callable[[], None]) -> int:
    """Run one worker a command until SIGTERM or Ctrl-C; start those again that end; let all end their calls at last.

    A worker prints `ready` when it serves, and ends when its standard input does, so that none outlives this process.
    Only the main thread may call it.

    Args:
        commands: what to run, by worker.
        on_ready: called once, when all of them serve.

    Returns:
        The signal that ended it.

    Raises:
        ServiceError: a worker ended before it had ever served.
    """
    events: SimpleQueue[_Event | int] = SimpleQueue()
    workers = [_Worker(number, command, events) for number, command in enumerate(commands)]
    try:
        with stop_signals(events.put):
            for worker in workers:
                worker.start()
            return _watch(workers, events, on_ready)
    finally:  # a second signal acts as before, and ends the wait
        for worker in workers:
            worker.stop()
        for worker in workers:
            worker.wait()


@dataclass(frozen=True)
class _Event:
    """What became of a worker: it serves, or it has ended with this code."""

    number: int
    code: int | None = None


class _Worker:
    """One process after the other that run the same command."""

    def __init__(self, number: int, command: Sequence[str], events: "SimpleQueue[_Event | int]") -> None:
        self._number = number
        self._command = command
        self._events = events
        self._process: subprocess.Popen[str] | None = None
        self._stopping = False
        self.has_served = False
        self.failures = 0

    def start(self) -> None:
        """Start a process. It gets signals from here alone, not from the terminal."""
        if self._stopping:
            return
        self._process = subprocess.Popen(  # noqa: S603 our own program
            self._command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, start_new_session=True
        )
        threading.Thread(target=self._follow, args=(self._process,), daemon=True).start()

    def start_later(self) -> float:
        """Start the next process after a pause, which is none after one that has served; give the pause in seconds."""
        pause_s = min(_SHORT_S * 2.0 ** (self.failures - 1), _LONG_S) if self.failures else 0.0
        timer = threading.Timer(pause_s, self.start)
        timer.daemon = True
        timer.start()
        return pause_s

    def stop(self) -> None:
        """Ask the process to end its calls and itself."""
        self._stopping = True
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(signal.SIGTERM)

    def wait(self) -> None:
        """Wait until it has ended."""
        if self._process is not None:
            self._process.wait()
            if self._process.stdin is not None:
                self._process.stdin.close()

    def _follow(self, process: "subprocess.Popen[str]") -> None:
        assert process.stdout is not None
        with process.stdout as said:
            for line in said:
                if line.strip() == READY:
                    self._events.put(_Event(self._number))
        self._events.put(_Event(self._number, process.wait()))


def _watch(workers: Sequence[_Worker], events: "SimpleQueue[_Event | int]", on_ready: Callable[[], None]) -> int:
    """Start workers again until a signal comes; give the signal."""
    while True:
        event = events.get()
        if isinstance(event, int):
            _log.info("stopping: waiting for the workers")
            return event
        worker = workers[event.number]
        if event.code is None:
            waited_for = not all(one.has_served for one in workers)
            worker.has_served, worker.failures = True, 0
            if waited_for and all(one.has_served for one in workers):
                on_ready()
        elif not worker.has_served:
            raise ServiceError(
                f"worker {event.number} ended with code {event.code} before it served: its own message says why",
                worker=event.number,
                code=event.code,
            )
        else:
            pause_s = worker.start_later()
            worker.failures += 1
            _log.warning("worker %d ended with code %d: starting it again in %g s", event.number, event.code, pause_s)


def end_with_input() -> None:
    """End this process as SIGTERM does when its standard input ends: whoever started it is gone then."""

    def watch() -> None:
        while os.read(descriptor, 1024):  # not through sys.stdin, whose lock the end of the interpreter needs
            pass
        os.kill(os.getpid(), signal.SIGTERM)

    descriptor = sys.stdin.fileno()
    threading.Thread(target=watch, daemon=True).start()
