"""A service that asks for a token over an encrypted connection, for clients in other languages."""

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from fluxfix.service import Settings, running
from fluxfix.service.auth import new_token
from service.certificates import authority
from service.fakes import FakeRig, load, store_of

READING = (1.25, -1.5, 23.0)
ALL_MUST_RUN = "FLUXFIX_ALL_CLIENTS"
"""Where this is set nothing is skipped: what a client needs has been installed."""
_NUMBER = r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?"


@dataclass(frozen=True)
class Target:
    """A running service, and what its answers are."""

    address: str
    rig: FakeRig
    environment: dict[str, str]

    def run(self, *command: str | Path) -> str:
        """Run a client with the reading, and give what it prints."""
        words = [*command, self.address, self.rig.name, *map(str, READING)]
        done = subprocess.run(
            words, env={**os.environ, **self.environment}, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        return done.stdout


@contextmanager
def serving(folder: Path) -> Iterator[Target]:
    """Run a service with one rig, a certificate for its address and one token."""
    token, entry = new_token("client=read,solve")
    tokens = folder / "tokens"
    tokens.write_text(entry, encoding="utf-8")
    ours = authority(folder)
    store = store_of(folder, stick='name = "stick"')
    settings = Settings(tls=ours.pair("server").server(), tokens=tokens)
    with running(store, settings=settings) as service:
        environment = {"FLUXFIX_CA": str(ours.certificate), "FLUXFIX_TOKEN": token}
        yield Target(service.address, load(folder / "stick.toml"), environment)


def need(*commands: str, hint: str) -> None:
    """Skip where a command is missing, saying what to install; fail where everything must run."""
    missing = [command for command in commands if shutil.which(command) is None]
    if missing:
        say = pytest.fail if os.environ.get(ALL_MUST_RUN) else pytest.skip
        say(f"{', '.join(missing)} not found: {hint}")


def numbers(line: str) -> list[float]:
    """Give every number of a line."""
    return [float(text) for text in re.findall(_NUMBER, line)]


def built(*command: str, folder: Path) -> None:
    """Run a build to its end."""
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def check_printed(printed: str, rig: FakeRig) -> None:
    """Compare what a client printed with what the rig gives in process, to the last bit."""
    listed, one, many = printed.splitlines()
    fix = rig.solve(READING)
    assert listed == "rig rigs/stick: tilt-x -18 to 18 deg travel -15 to 15 mm"
    assert numbers(one) == [fix.status, fix.misfit, *fix.position]
    assert numbers(many) == [1000, *fix.position]
