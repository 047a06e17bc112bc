"""What the service writes down, and what it never does."""

import io
import json
import logging
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import grpc
import pytest

from fluxfix.service import RigStore, Settings, logs, running
from fluxfix.service.auth import new_token
from service.fakes import FakeRig, load, store_of
from service.wire import READING, refused, solve

SECRET_VALUE = 4711.25


@pytest.fixture
def log(request: pytest.FixtureRequest) -> Iterator[io.StringIO]:
    """What is written in the form that the test asks for."""
    root, own = logging.getLogger(), logging.getLogger("fluxfix")
    before = root.handlers[:], root.level, own.level
    root.handlers = []
    written = io.StringIO()
    logs.set_up(request.param, written)
    yield written
    root.handlers, root.level = before[0], before[1]
    own.setLevel(before[2])


def fault() -> None:
    """Fail as a defect would, with a reading in the text."""
    raise ZeroDivisionError(f"cannot divide by {SECRET_VALUE}")


def fail_in_every_way(folder: Path) -> str:
    """Make a call that works, one without a token, one with a wrong one and one that meets a fault; give the token."""
    token, entry = new_token("line=solve")
    tokens = folder / "tokens"
    tokens.write_text(entry, encoding="utf-8")
    rigs = folder / "rigs"
    rigs.mkdir()
    store_of(rigs, stick='name = "stick"', fault='name = "fault"')

    def load_faulty(path: Path) -> FakeRig:
        rig = load(path)
        return replace(rig, before_solve=fault) if rig.name == "fault" else rig

    good = {"metadata": (("authorization", f"Bearer {token}"),)}
    with (
        running(RigStore(rigs, load_faulty), settings=Settings(tokens=tokens)) as service,
        grpc.insecure_channel(service.address) as channel,
    ):
        solve(channel, **good)
        refused(solve, channel)
        refused(solve, channel, metadata=(("authorization", "Bearer wrong-token"),))
        faulty = type(READING)(name="rigs/fault", flux_density_millitesla=[SECRET_VALUE] * 3)
        method = channel.unary_unary("/fluxfix.v1.SolveService/SolveReading", type(READING).SerializeToString)
        assert refused(method, faulty, **good)[:2] == ("INTERNAL", "INTERNAL")
    return token


@pytest.mark.parametrize("log", ["json"], indirect=True)
def test_each_line_is_an_object(log: io.StringIO, tmp_path: Path) -> None:
    """Each failed call stands there once with method, code, and reason or time; a fault with its type and places."""
    fail_in_every_way(tmp_path)
    lines: list[dict[str, Any]] = [json.loads(line) for line in log.getvalue().splitlines()]

    assert all({"time", "level", "logger", "message"} <= set(line) for line in lines)
    assert [line["reason"] for line in lines if "reason" in line] == ["TOKEN_MISSING", "TOKEN_UNKNOWN"]
    ended = [line for line in lines if "code" in line]
    assert [line["code"] for line in ended] == ["UNAUTHENTICATED", "UNAUTHENTICATED", "INTERNAL"]
    assert ["seconds" in line for line in ended] == [False, False, True]
    assert all(line["method"] == "/fluxfix.v1.SolveService/SolveReading" for line in ended)
    (fault_line,) = [line for line in lines if "exception" in line]
    assert fault_line["exception"] == "ZeroDivisionError"
    assert fault_line["places"][-1].endswith(" fault")


@pytest.mark.parametrize("log", ["json", "text"], indirect=True)
def test_log_tells_no_reading_and_no_token(log: io.StringIO, tmp_path: Path) -> None:
    """Neither form quotes what a caller sent, not even where a fault's own text does."""
    token = fail_in_every_way(tmp_path)
    text = log.getvalue()

    assert "ZeroDivisionError" in text
    for secret in (token, "wrong-token", str(SECRET_VALUE)):
        assert secret not in text
