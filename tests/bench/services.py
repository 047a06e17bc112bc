"""Servers in processes of their own, as a user has them."""

import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from queue import Queue
from typing import IO

FLUXFIX = Path(sys.executable).with_name("fluxfix")


@dataclass(frozen=True)
class Running:
    """A server: where it listens, and its process."""

    address: str
    process: int

    def resident_MiB(self) -> float:
        """Memory of the process that is in use."""
        text = Path(f"/proc/{self.process}/statm").read_text(encoding="utf-8")
        return int(text.split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


@contextmanager
def fluxfix_serving(rigs: dict[str, str], *options: str | Path) -> Iterator[Running]:
    """`fluxfix serve` on a free port with rig files of these texts and further options, ended by SIGTERM.

    Raises:
        RuntimeError: it does not tell its address, or does not end with exit code 0.
    """
    with tempfile.TemporaryDirectory(prefix="fluxfix-") as folder:
        for name, text in rigs.items():
            (Path(folder) / f"{name}.toml").write_text(text, encoding="utf-8")
        command = [FLUXFIX, "serve", "--rigs", folder, "--address", "127.0.0.1:0", *options]
        with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as server:
            first: Queue[str] = Queue()
            threading.Thread(target=_drain, args=(server.stderr, first), daemon=True).start()
            try:
                line = first.get(timeout=120.0)
                found = re.search(r"127\.0\.0\.1:\d+", line)
                if found is None:
                    raise RuntimeError(f"got {line!r} from fluxfix serve, needs its address")
                yield Running(found[0], server.pid)
            finally:
                server.send_signal(signal.SIGTERM)
                code = server.wait(timeout=60.0)
        if code:
            raise RuntimeError(f"got exit code {code} of fluxfix serve after SIGTERM, needs 0")


def _drain(talk: IO[str] | None, first: "Queue[str]") -> None:
    """Read what a server says, so that it never waits for a reader; the line with its address is passed on."""
    lines = iter(talk or ())
    first.put(next((line for line in lines if "127.0.0.1:" in line), ""))
    deque(lines, maxlen=0)


@contextmanager
def echo_serving() -> Iterator[Running]:
    """The echo server on a free port."""
    command = [sys.executable, str(Path(__file__).with_name("echo_server.py"))]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        line = server.stdout.readline() if server.stdout else ""
        yield Running(f"127.0.0.1:{int(line)}", server.pid)
        server.communicate(timeout=30)


@contextmanager
def sending(program: str, *words: str | Path) -> Iterator["Queue[int]"]:
    """Run a client's program in a process of its own, in which it takes the interpreter from nobody.

    It prints "sending" when it does, ends when its input does, and then prints how much it has sent, which the queue
    tells.
    """
    sent: Queue[int] = Queue()
    command = [sys.executable, "-c", program, *words]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as client:
        assert client.stdout is not None
        assert client.stdin is not None
        assert client.stdout.readline() == "sending\n"
        yield sent
        client.stdin.close()
        sent.put(int(client.stdout.readline()))
