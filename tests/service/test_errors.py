"""What callers are told of an error."""

import urllib.parse

import pytest
from google.rpc import error_details_pb2

from fluxfix.errors import FluxfixError, RigFileError, UnsupportedError
from fluxfix.service.errors import RequestError, status_of
from fluxfix.service.faults import RigTextError

MOST_HEADERS = 8192
"""Bytes that gRPC's clients take at the end of a call, by default; beyond them they hear of nothing else.

Source: gRPC, keyword GRPC_ARG_MAX_METADATA_SIZE, include/grpc/impl/channel_arg_names.h.
"""


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (RigFileError("/srv/our rigs/stick.toml: x\n/srv/our rigs/stick.toml: y", file="/srv/our rigs/stick.toml"),
         "stick.toml: x\nstick.toml: y"),
        (UnsupportedError("rigs/stick.toml: no such joint /a/b.toml"), "stick.toml: no such joint /a/b.toml"),
        (UnsupportedError("got 3 values: send a.toml: b"), "got 3 values: send a.toml: b"),
    ],
)  # fmt: skip
def test_folders_of_the_server_are_not_told(error: FluxfixError, told: str) -> None:
    """Who calls learns the name of a rig file; where it lies is the server's own matter."""
    status = status_of(error)
    info = error_details_pb2.ErrorInfo()
    assert status.details[0].Unpack(info)

    assert status.message == told
    assert dict(info.metadata) == ({"file": "stick.toml"} if error.context else {})


@pytest.mark.parametrize(
    "error",
    [
        RequestError(f"got {'k' * 20_000}: send less", "name", "RIG_NAME_INVALID", name="k" * 20_000),
        UnsupportedError(f"got {'µ' * 20_000}: send less", rig="µ" * 20_000),
        RigTextError([f"sensor {number}: got {'k' * 2_000}: send less" for number in range(6)]),
    ],
)
def test_what_a_caller_sent_does_not_swell_the_answer(error: FluxfixError) -> None:
    """However much is quoted, code and details arrive, and the sentence still says what to do."""
    status = status_of(error)
    sentence = len(urllib.parse.quote(status.message, safe=" "))  # as it travels; the details go in base 64

    assert sentence + 4 * len(status.SerializeToString()) / 3 < MOST_HEADERS
    assert status.message.startswith(("got ", "sensor 0: got "))
    assert status.message.endswith(": send less")
