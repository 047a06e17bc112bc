"""Threads that compute batches, and those that answer."""

import subprocess
import sys

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
    print(name, os.getpriority(os.PRIO_PROCESS, task) - os.getpriority(os.PRIO_PROCESS, os.getpid()))
lanes.close()
"""


def test_lanes_of_batches_and_long_work_give_way() -> None:
    """Single readings and streams go first."""
    done = subprocess.run([sys.executable, "-c", LANES], capture_output=True, text=True, check=True)

    assert done.stdout.split() == ["live", "0", "bulk", "10", "long", "10", "stream", "0"]


def test_computing_threads_give_way() -> None:
    """Only threads of the computing library are put behind, in steps of the operating system."""
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True)

    assert done.stdout.split() == ["main", "0", "fluxfix-live", "0", "tf_XLAEigen", "10"]
