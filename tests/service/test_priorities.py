"""Threads that compute batches, and those that answer."""

import subprocess
import sys

import pytest

# Names two threads, one as the computing library does, and prints the priorities of both and of the main thread.
PROGRAM = """
import os, threading
from pathlib import Path
from fluxfix.service.priorities import computing_comes_last

barrier, end = threading.Barrier(3), threading.Event()
tasks = []

def run(name):
    task = threading.get_native_id()
    tasks.append((name, task))
    Path(f"/proc/self/task/{task}/comm").write_text(name)
    barrier.wait()
    end.wait()

for name in ("tf_XLAEigen", "fluxfix-live"):
    threading.Thread(target=run, args=(name,)).start()
barrier.wait()
computing_comes_last()
for name, task in [("main", os.getpid()), *sorted(tasks)]:
    print(name, os.getpriority(os.PRIO_PROCESS, task) - os.getpriority(os.PRIO_PROCESS, os.getppid()))
end.set()
"""

LANES = """
import os, threading
from queue import SimpleQueue
from fluxfix.service.fairness import Fairness
from fluxfix.service.lanes import lanes_of
from fluxfix.service.limits import Limits

lanes, tasks = lanes_of(Limits(), Fairness()), SimpleQueue()
for name, lane in lanes.by_name.items():
    lane.submit(lambda: tasks.put(threading.get_native_id()))
    task = tasks.get()
    nice = os.getpriority(os.PRIO_PROCESS, task) - os.getpriority(os.PRIO_PROCESS, os.getpid())
    print(name, nice, "real-time" if os.sched_getscheduler(task) == os.SCHED_FIFO else "ordinary")
lanes.close()
"""
REAL_TIME = "import os; os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))\n"


def test_lanes_of_batches_and_long_work_give_way() -> None:
    """Single readings and streams go first."""
    assert _printed(LANES) == ["live 0 ordinary", "bulk 10 ordinary", "long 10 ordinary", "stream 0 ordinary"]


def test_only_live_lanes_stay_in_a_real_time_class() -> None:
    """Of a service that was started in a real-time class, batches and long work leave it."""
    try:
        found = _printed(REAL_TIME + LANES)
    except PermissionError:
        pytest.skip("this system lets nobody here into a real-time class")

    assert found == ["live 0 real-time", "bulk 10 ordinary", "long 10 ordinary", "stream 0 real-time"]


def test_service_behind_others_stays_where_it_is() -> None:
    """What has been put further behind than batches are is not brought forward."""
    behind = "import os; os.setpriority(os.PRIO_PROCESS, 0, 19)\n"

    assert _printed(behind + LANES) == [f"{name} 0 ordinary" for name in ("live", "bulk", "long", "stream")]


def test_lanes_work_where_the_system_grants_nothing() -> None:
    """Without the right to change priorities calls are served all the same."""
    forbidden = "import os\ndef refuse(*_): raise PermissionError\nos.setpriority = refuse\n"

    assert _printed(forbidden + LANES) == [f"{name} 0 ordinary" for name in ("live", "bulk", "long", "stream")]


def test_computing_threads_give_way() -> None:
    """Only threads of the computing library are put behind, in steps of the operating system."""
    assert _printed(PROGRAM) == ["main 0", "fluxfix-live 0", "tf_XLAEigen 10"]


def _printed(program: str) -> list[str]:
    """Run a program and give its lines.

    Raises:
        PermissionError: the system does not let it.
    """
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    if "PermissionError" in done.stderr:
        raise PermissionError
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()
