"""What callers are told of an error."""

import pytest
from google.rpc import error_details_pb2

from fluxfix.errors import FluxfixError, RigFileError, UnsupportedError
from fluxfix.service.errors import status_of


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
