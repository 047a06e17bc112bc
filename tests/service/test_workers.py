"""Several processes at one port."""

import os
import select
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import grpc
import pytest

from fluxfix.errors import ServiceError
from fluxfix.service import address as addresses
from fluxfix.service import workers
from service.fakes import store_of
from service.wire import WAIT_S, solve

TESTS = Path(__file__).parents[1]

# A worker that serves fake rigs, and says which process it is: in one piece, since two of them write to one pipe.
WORKER = """
import os, sys
from pathlib import Path
from service.fakes import load
from fluxfix.service import RigStore, Settings, serve, workers

workers.end_with_input()
os.write(2, f"pid {os.getpid()}\\n".encode())
settings = Settings(shared_port=True)
serve(RigStore(Path(sys.argv[1]), load), sys.argv[2], lambda _address: print(workers.READY, flush=True), settings)
"""

SUPERVISOR = """
import logging, sys
from fluxfix.service import address, workers

logging.basicConfig(level=logging.INFO, format="%(message)s")
with workers.reserved(address.parse("127.0.0.1:0")) as held:
    command = [sys.executable, "-c", sys.argv[2], sys.argv[1], str(held)]
    number = workers.supervise([command] * 2, lambda: print(held, flush=True))
sys.exit(number)
"""


@contextmanager
def supervised(folder: Path) -> Iterator[tuple["subprocess.Popen[str]", str, list[int]]]:
    """Run two workers; give the process that looks after them, the address, and the workers' processes."""
    store_of(folder, stick='name = "stick"')
    environment = {**os.environ, "PYTHONPATH": str(TESTS)}
    pipe = subprocess.PIPE
    with subprocess.Popen(
        [sys.executable, "-c", SUPERVISOR, folder, WORKER], stdout=pipe, stderr=pipe, text=True, env=environment
    ) as process:
        try:
            assert process.stdout is not None
            address = process.stdout.readline().strip()
            yield process, address, [_next_worker(process) for _ in range(2)]
        finally:
            process.kill()


def _next_worker(process: "subprocess.Popen[str]") -> int:
    """Read what is said until another worker tells its number."""
    assert process.stderr is not None
    for line in process.stderr:
        if line.startswith("pid "):
            return int(line.split()[1])
    raise AssertionError("no worker has begun")


def _solve(address: str) -> int:
    """Solve over a connection of its own, which one worker or the other takes."""
    options = (("grpc.use_local_subchannel_pool", 1),)
    with grpc.insecure_channel(address, options) as channel:
        dof: int = solve(channel, wait_for_ready=True).fix.dof
        return dof


def _wait_for_end(descriptor: int) -> None:
    """Wait until a descriptor of a process says that it has ended."""
    assert select.select([descriptor], [], [], WAIT_S)[0]


def test_dead_worker_is_started_again(tmp_path: Path) -> None:
    """Both workers answer at one port; when one is killed the other goes on, and a new one takes its place."""
    with supervised(tmp_path) as (process, address, (first, second)):
        assert first != second
        assert [_solve(address) for _ in range(8)] == [1] * 8
        os.kill(first, signal.SIGKILL)
        assert _next_worker(process) not in {first, second}
        assert [_solve(address) for _ in range(8)] == [1] * 8
        process.send_signal(signal.SIGTERM)
        assert process.wait(WAIT_S) == signal.SIGTERM


def test_signal_ends_every_worker(tmp_path: Path) -> None:
    """After SIGTERM no worker is left, and the port is free."""
    with supervised(tmp_path) as (process, address, numbers):
        process.send_signal(signal.SIGTERM)
        assert process.wait(WAIT_S) == signal.SIGTERM
        assert not any(Path(f"/proc/{number}").exists() for number in numbers)
        addresses.check_free(addresses.parse(address))


def test_workers_do_not_outlive_a_killed_supervisor(tmp_path: Path) -> None:
    """Where nobody looks after them any more they end by themselves."""
    with supervised(tmp_path) as (process, _, numbers):
        descriptors = [os.pidfd_open(number) for number in numbers]
        process.kill()
        for descriptor in descriptors:
            _wait_for_end(descriptor)
            os.close(descriptor)


def test_worker_that_never_serves_ends_all() -> None:
    """A mistake in what the workers are told is said once, and not tried again for ever."""
    good = [sys.executable, "-c", "import sys; print('ready', flush=True); sys.stdin.read()"]
    bad = [sys.executable, "-c", "import sys; sys.exit(2)"]

    with pytest.raises(ServiceError, match="worker 1 ended with code 2"):
        workers.supervise([good, bad], lambda: None)


def test_reserved_port_is_nobody_elses() -> None:
    """A port that is held cannot be taken by a server that does not share, nor reserved where it is in use."""
    with workers.reserved(addresses.parse("127.0.0.1:0")) as held:
        with pytest.raises(ServiceError, match=str(held)):
            addresses.check_free(held)
        with pytest.raises(ServiceError, match=str(held)), workers.reserved(held):
            pass
