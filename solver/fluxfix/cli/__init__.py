"""The command line: one file a command, each of which parses, calls and prints."""

import _thread
import gc
import os
import signal
import sys
import threading
from types import FrameType
from typing import Any

STOPPED = 130
AGAIN_S = 1.0
"""An interrupt that nobody has seen after this time is raised again."""
GARBAGE = 100_000
"""Objects between two searches for garbage. Loading and tracing a model makes many, and hardly any of them is garbage:
at Python's own number the searches are a tenth of the time of a short command."""


def main() -> None:
    """Run the command line and end the process with its exit code: 0 done, 1 content, 2 command line, 130 Ctrl-C."""
    gc.set_threshold(GARBAGE)
    with _Interrupts():
        try:
            from fluxfix.cli.run import run

            code = run(sys.argv[1:])
            sys.stdout.flush()
        except KeyboardInterrupt:
            code = STOPPED
        except BrokenPipeError:
            code = 0  # who read the output has enough of it
        except OSError as error:
            print(f"fluxfix: the output cannot be written ({error.strerror}): give it another place", file=sys.stderr)
            code = 2
    if code == STOPPED:
        print("fluxfix: stopped", file=sys.stderr, flush=True)
        # Everything is put away by now; threads that still compile would crash while Python takes itself apart.
        os._exit(STOPPED)
    try:
        sys.stdout.flush()
    except OSError:
        # Python must not complain at exit that the rest found no reader.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(code)


class _Interrupts:
    """Makes sure that Ctrl-C ends the run.

    The interrupt may be raised inside a callback of the garbage collector or of a C library, where exceptions are
    dropped: it is raised again every second until `main` has it.
    """

    def __init__(self) -> None:
        self._seen = threading.Event()
        self._waiting = False

    def __enter__(self) -> None:
        self._before = signal.signal(signal.SIGINT, self._interrupt)
        self._hook = sys.unraisablehook
        sys.unraisablehook = self._unraisable

    def __exit__(self, *raised: object) -> None:
        self._seen.set()
        signal.signal(signal.SIGINT, self._before)
        sys.unraisablehook = self._hook

    def _interrupt(self, _number: int, _frame: FrameType | None) -> None:
        if not self._waiting:
            self._waiting = True
            threading.Thread(target=self._remind, daemon=True).start()
        raise KeyboardInterrupt

    def _remind(self) -> None:
        while not self._seen.wait(AGAIN_S):
            _thread.interrupt_main()

    def _unraisable(self, dropped: Any) -> None:
        if dropped.exc_type is not KeyboardInterrupt:
            self._hook(dropped)
