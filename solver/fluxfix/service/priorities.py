"""Which threads go first where there are more than cores."""

import os
import sys
import threading
from contextlib import suppress
from pathlib import Path

from fluxfix.inverse.fast import aside

COMPUTING = ("tf_XLA", "llvm-worker")
"""How the names begin of threads that compute batches and compile; they never hold the interpreter."""
NICE = 10
"""Of the operating system's steps of 0 to 19; each costs about a tenth of the share."""


def this_thread_comes_last() -> None:
    """Let the system prefer others to this thread, and still more to what computes for it."""
    aside.from_now_on()
    if sys.platform == "linux":
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), NICE)


def computing_comes_last() -> None:
    """Let the system prefer threads that answer calls to those of the computing library."""
    for task in Path("/proc/self/task").glob("*"):
        with suppress(OSError):  # it has ended, or may not be changed
            if (task / "comm").read_text(encoding="utf-8").startswith(COMPUTING):
                os.setpriority(os.PRIO_PROCESS, int(task.name), NICE)
