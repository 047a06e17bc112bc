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
        _comes_last(threading.get_native_id())


def computing_comes_last() -> None:
    """Let the system prefer threads that answer calls to those of the computing library."""
    for task in Path("/proc/self/task").glob("*"):
        with suppress(OSError):  # it has ended
            if (task / "comm").read_text(encoding="utf-8").startswith(COMPUTING):
                _comes_last(int(task.name))


if sys.platform == "linux":

    def _comes_last(task: int) -> None:
        # A service may have been started in a real-time class, for the sake of its streams. There numbers of niceness
        # mean nothing, and a batch would take the processor from everybody.
        with suppress(OSError):  # it has ended, or the system does not let it: then it stays as it is
            if os.sched_getscheduler(task) & ~os.SCHED_RESET_ON_FORK in (os.SCHED_FIFO, os.SCHED_RR):
                os.sched_setscheduler(task, os.SCHED_OTHER, os.sched_param(0))
            if os.getpriority(os.PRIO_PROCESS, task) < NICE:  # the whole service may have been put further behind
                os.setpriority(os.PRIO_PROCESS, task, NICE)
